"""From outcome definitions (data) to the query that settles all of them for every case."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace

from warehouse.marts.statements import filled
from warehouse.marts.steps import LOST_STATUSES, STEPS
from warehouse.outcomes.definition import (
    LEFT_OUT,
    QUESTIONS,
    SPANS,
    AnswerPart,
    ChangePart,
    CrossingPart,
    Definition,
    DefinitionPart,
    Part,
    Span,
)
from warehouse.store.quoting import either, name, number, settled, text


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """What the warehouse holds that a definition's query depends on."""

    measures: Collection[str]  # Measures that have at least one reading
    grown: Collection[str]  # Measures the growth reference has a curve for
    gonion: Collection[str]  # Measures that depend on how gonion was marked
    porion: Collection[str]  # Measures that depend on how porion was marked
    photo: Collection[str]  # Measures of photographs, which depend on pose, lips and teeth
    is_photo_stated: bool = False  # Whether pose, lips and teeth must be known, and not only not known to differ
    size: Collection[str]  # Lengths of the film, which depend on its enlargement
    own_error: Mapping[str, Mapping[str, float]]  # Practice -> measure -> MDC95 from the practice's own repeats
    default_error: Mapping[str, float]  # Measure -> MDC95 from the catalogue


def results_parameters(definitions: Iterable[Definition], setting: Setting) -> dict[str, str]:
    """What ``results.sql`` needs to settle every definition in one pass over the cases."""
    listed = list(definitions)
    single = [definition for definition in listed if not _names_others(definition)]
    composite = [definition for definition in listed if _names_others(definition)]
    spans = dict.fromkeys(span for definition in listed for span in _spans(definition))
    return {
        "joins": "\n    ".join(_join(span) for span in spans),
        "single": "".join(_single_columns(definition, setting) for definition in single),
        "composite_stages": "".join(_composite_stages(definition) for definition in composite),
        "composite": "".join(_composite_columns(definition, setting) for definition in composite),
        "kept": "".join(
            f",\n    {prefix}_step,"
            f"\n    case when {prefix}_step = {COUNTED} then {prefix}_met end as {prefix}_adverse,"
            f"\n    case when {prefix}_step = {COUNTED} then {prefix}_value end as {prefix}_value,"
            f"\n    case when {prefix}_step in ({_MAY_TURN}) then {prefix}_mirrored end as {prefix}_favourable,"
            f"\n    {prefix}_known"
            for prefix in map(_prefix, listed)
        ),
    }


def outcomes_statement(definitions: Iterable[Definition]) -> str:
    """The long form of the results: one row is one case under one definition."""
    named = " ".join(f"when {position} then {text(step)}" for step, position in STEP_NUMBERS.items())
    return "\nunion all\n".join(
        filled(
            "outcomes_of_one.sql",
            id=text(one.id),
            version=text(one.version),
            family=text(one.family),
            prefix=_prefix(one),
            counted=str(COUNTED),
            named=named,
        )
        for one in definitions
    )


def outcomes_of(*definitions: Definition) -> str:
    """What to read in place of ``mart_outcomes`` where these definitions are asked about.

    The rows are the same. Planning a query on the view of all definitions takes longer than running it on this.
    """
    return f"({outcomes_statement(definitions)}) as mart_outcomes"


def _prefix(definition: Definition) -> str:
    return name(definition.id.lower())


def _single_columns(definition: Definition, setting: Setting) -> str:
    parts = [_part(part, setting) for part in definition.parts]
    met = _met(definition, [part.met for part in parts])
    value = parts[0].value if len(parts) == 1 else "cast(null as double)"
    step, reached = (
        _step(
            definition,
            stage=stage,
            missing=either([part.missing for part in parts]),
            interval=_interval(definition),
            expected=either([part.expected for part in parts]),
            met=met,
        )
        for stage in (_stage(definition), _stage(definition, lost=_NOT_DUE))
    )
    mirrored = parts[0].mirrored if len(parts) == 1 else "cast(null as boolean)"
    known = f"case when {reached} = {COUNTED} then {met} end"
    return _columns(_prefix(definition), step, met, value, mirrored, known)


def _columns(prefix: str, step: str, met: str, value: str, mirrored: str, known: str) -> str:
    columns = {"step": step, "met": met, "value": value, "mirrored": mirrored, "known": known}
    return "".join(f",\n        {column} as {prefix}_{part}" for part, column in columns.items())


def _composite_stages(definition: Definition) -> str:
    prefix = _prefix(definition)
    stages = {"stage": _stage(definition), "due": _stage(definition, lost=_NOT_DUE), "interval": _interval(definition)}
    return "".join(f",\n        {stage} as {prefix}_{part}" for part, stage in stages.items())


def _composite_columns(definition: Definition, setting: Setting) -> str:
    prefix = _prefix(definition)
    parts = [_part(part, setting) for part in definition.parts]
    met = _met(definition, [part.met for part in parts])
    step = _step(
        definition,
        stage=f"{prefix}_stage",
        missing=either([part.missing for part in parts]),
        interval=f"{prefix}_interval",
        expected=_NOTHING,
        met=met,
    )
    known = _met(definition, [_known(part, sql) for part, sql in zip(definition.parts, parts, strict=True)])
    known = f"case when coalesce({prefix}_due, {prefix}_interval) is null then {known} end"
    return _columns(prefix, step, met, "cast(null as double)", "cast(null as boolean)", known)


def _known(part: Part, sql: _PartSql) -> str:
    """Whether a part was met whatever became of the treatment."""
    return f"{name(part.definition.lower())}_known" if isinstance(part, DefinitionPart) else sql.met


def _names_others(definition: Definition) -> bool:
    return any(isinstance(part, DefinitionPart) for part in definition.parts)


def _join(span: Span) -> str:
    return f"left join mart_spans as {span} on {span}.case_no = mart_cases.case_no and {span}.span = {text(span)}"


STEP_NUMBERS = {step: position for position, step in enumerate(STEPS)}  # step -> the number it is kept as

COUNTED = STEP_NUMBERS["counted"]
_MAY_TURN = ", ".join(str(STEP_NUMBERS[step]) for step in ("counted", "already_present", "not_at_risk"))
_NOT_DUE = ("in_treatment",)


def _code(step: str) -> str:
    return str(STEP_NUMBERS[step])


@dataclass(frozen=True, slots=True)
class _PartSql:
    """SQL of one part: met (null where missing), why the reading is missing, why the expectation is, and the value.

    ``mirrored``: met as far in the other direction; null where the part has no opposite, or where the case cannot move
    that way.
    """

    met: str
    missing: str
    expected: str
    value: str
    mirrored: str = "cast(null as boolean)"


_NOTHING = "cast(null as integer)"


def _part(part: Part, setting: Setting) -> _PartSql:
    if isinstance(part, ChangePart):
        return _change(part, setting)
    if isinstance(part, CrossingPart):
        return _crossing(part, setting)
    if isinstance(part, AnswerPart):
        return _answer(part)
    return _reference(part)


def _change(part: ChangePart, setting: Setting) -> _PartSql:
    span, setting = part.span, replace(setting, is_photo_stated=part.photographs == "stated_alike")
    usable = [measure for measure in part.measures if measure in setting.measures]
    if not usable:
        return _PartSql("cast(null as boolean)", _code("not_measured"), _NOTHING, "cast(null as double)")
    values = [_value(measure, part, span, setting) for measure in usable]
    mets, mirrored = (
        [_beyond(value, measure, one, setting) for value, measure in zip(values, usable, strict=True)]
        for one in (part, part.mirrored)
    )
    raw = either([_raw(measure, span, setting) for measure in usable])
    value = either(values)
    why = f"case when {span}.age_before is null or {span}.age_after is null"
    why = f"{why} then {_code('no_expected')} else {_code('no_reference')} end"
    lacking = f"case when {raw} is not null and {value} is null then {why} end"
    return _PartSql(either(mets), _why_missing(usable, span, setting), lacking, value, either(mirrored))


def _value(measure: str, part: ChangePart, span: Span, setting: Setting) -> str:
    raw = _raw(measure, span, setting)
    if part.basis == "raw":
        return settled(raw)
    if measure not in setting.grown:
        return "cast(null as double)"
    return settled(f"{raw} - {span}.{name(measure)}__expected")


def _raw(measure: str, span: Span, setting: Setting) -> str:
    change = f"({span}.{name(measure)}__after - {span}.{measure}__before)"
    differs = _differs(measure, span, setting)
    return f"case when not {differs} then {change} end" if differs else change


def _differs(measure: str, span: Span, setting: Setting) -> str:
    checks = []
    if measure in setting.gonion:
        checks.append(f"{span}.is_gonion_different")
    if measure in setting.porion:
        checks.append(f"{span}.is_porion_different")
    if measure in setting.photo:
        checks.append(f"{span}.is_photo_different{f' or {span}.is_photo_unstated' if setting.is_photo_stated else ''}")
    if measure in setting.size:
        checks.append(f"{span}.is_size_different")
    return f"({' or '.join(checks)})" if checks else ""


def _beyond(value: str, measure: str, part: ChangePart, setting: Setting) -> str:
    signed = value if part.direction == "rise" else f"(-{value})"
    met = f"{signed} >= {number(part.threshold)}"
    margin = _margin(measure, part, setting)
    return f"({met} and {signed} > {margin})" if margin else f"({met})"


def _margin(measure: str, part: ChangePart, setting: Setting) -> str:
    """MDC95 that the change must exceed, by practice, or "" where none is asked."""
    if part.beyond_error == "never":
        return ""
    # A negative margin asks nothing: a change of the right sign always exceeds it.
    default = setting.default_error.get(measure, -1.0) if part.beyond_error == "always" else -1.0
    own = {practice: errors[measure] for practice, errors in setting.own_error.items() if measure in errors}
    if not own:
        return number(default)
    branches = " ".join(f"when {text(practice)} then {number(mdc)}" for practice, mdc in sorted(own.items()))
    return f"(case mart_cases.practice {branches} else {number(default)} end)"


def _why_missing(measures: list[str], span: Span, setting: Setting) -> str:
    raw = " and ".join(f"{_raw(measure, span, setting)} is null" for measure in measures)
    both = " or ".join(f"({span}.{name(m)}__before is not null and {span}.{m}__after is not null)" for m in measures)
    before = " or ".join(f"{span}.{name(m)}__before is not null" for m in measures)
    after = " or ".join(f"{span}.{name(m)}__after is not null" for m in measures)
    return (
        f"case when not ({raw}) then null when {both} then {_code('variant_differs')}"
        f" when {before} then {_code('not_readable_finish')} when {after} then {_code('not_readable_start')}"
        f" else {_code('not_measured')} end"
    )


def _crossing(part: CrossingPart, setting: Setting) -> _PartSql:
    span = part.span
    cuts = zip(part.measures, map(number, part.low_to), map(number, part.high_from), strict=True)
    usable = {measure: (low_to, high_from) for measure, low_to, high_from in cuts if measure in setting.measures}
    if not usable:
        return _PartSql("cast(null as boolean)", _code("not_measured"), _NOTHING, "cast(null as double)")
    mets, values, away, apart = [], [], [], []
    for measure, (low_to, high_from) in usable.items():
        before, after = f"{span}.{name(measure)}__before", f"{span}.{measure}__after"
        raw = _raw(measure, span, setting)
        was_average = f"{before} > {low_to} and {before} < {high_from}"
        crossed = f"({was_average} and {after} >= {high_from})"
        mets.append(f"case when {raw} is not null then {crossed} end")
        values.append(f"case when {raw} is not null then {after} end")
        was_high = f"{raw} is not null and {before} >= {high_from}"
        away.append(f"case when {was_high} then {after} < {high_from} end")
        apart.append(f"case when {raw} is not null then not ({was_average}) end")
    missing = _why_missing(list(usable), span, setting)
    if part.at_risk_only:
        missing = f"coalesce({missing}, case when {either(apart)} then {_code('not_at_risk')} end)"
    return _PartSql(either(mets), missing, _NOTHING, either(values), either(away))


def _answer(part: AnswerPart) -> _PartSql:
    earlier, later = SPANS[part.span]
    before = f"mart_cases.{name(part.question)}_{earlier}"
    after = f"mart_cases.{part.question}_{later}"
    good, bad, known = (
        f"in ({', '.join(map(text, one))})" for one in (part.before, part.after, QUESTIONS[part.question])
    )
    met = f"case when {before} {good} and {after} {known} then {after} {bad} end"
    missing = (
        f"case when not coalesce({before} {known} and {after} {known}, false)"
        f" then {_code('not_asked')} when not {before} {good} then {_code('already_present')} end"
    )
    gone = f"case when {before} {bad} and {after} {known} then {after} {good} end"
    return _PartSql(met, missing, _NOTHING, "cast(null as double)", gone)


def _reference(part: DefinitionPart) -> _PartSql:
    prefix = name(part.definition.lower())
    met = f"case when {prefix}_step = {COUNTED} then {prefix}_met end"
    missing = f"case when {prefix}_step <> {COUNTED} then {prefix}_step end"
    return _PartSql(met, missing, _NOTHING, "cast(null as double)")


def _met(definition: Definition, mets: list[str]) -> str:
    """All, any or so many of the parts in three-valued logic: unknown only where the missing parts could decide."""
    if definition.combine == "all":
        return " and ".join(mets)
    if definition.combine == "any":
        return " or ".join(mets)
    sure = " + ".join(f"case when {met} then 1 else 0 end" for met in mets)
    open_ = " + ".join(f"case when {met} is null then 1 else 0 end" for met in mets)
    needed = definition.at_least
    return f"case when {sure} >= {needed} then true when {sure} + {open_} < {needed} then false end"


def _spans(definition: Definition) -> tuple[Span, ...]:
    return definition.spans or ("start_to_finish",)


def _stage(definition: Definition, lost: Collection[str] = LOST_STATUSES) -> str:
    """Why the case did not reach the end, has no records at a time or is left out, else null."""
    gone = " ".join(f"when mart_cases.status = {text(status)} then {_code(status)}" for status in lost)
    times = [SPANS[span] for span in _spans(definition)]
    only_asked = all(isinstance(part, AnswerPart) for part in definition.parts)
    if only_asked:
        return f"case {gone} end"
    first = " and ".join(f"mart_cases.has_{earlier}_records" for earlier, _ in times)
    second = " and ".join(f"mart_cases.has_{later}_records" for _, later in times)
    return (
        f"case {gone} when not ({first}) then {_code('no_start_records')}"
        f" when not ({second}) then {_code('no_finish_records')}"
        f"{''.join(f' when mart_cases.has_{one} then {_code(LEFT_OUT[one])}' for one in definition.leave_out)} end"
    )


def _interval(definition: Definition) -> str:
    if definition.minimum_months <= 0 and not _needs_growth(definition):
        return _NOTHING
    months = [f"{span}.months" for span in _spans(definition)]
    unknown = " or ".join(f"{month} is null" for month in months)
    short = " or ".join(f"{month} < {number(definition.minimum_months)}" for month in months)
    return f"case when {unknown} then {_code('interval_unknown')} when {short} then {_code('too_short')} end"


def _needs_growth(definition: Definition) -> bool:
    return any(isinstance(part, ChangePart) and part.basis == "growth_adjusted" for part in definition.parts)


def _step(definition: Definition, *, stage: str, missing: str, interval: str, expected: str, met: str) -> str:
    """How far the case came: the first reason that holds, else counted."""
    if definition.missing == "decide":
        settled_by_parts = f"case when ({met}) is not null then {COUNTED} end"
        return f"coalesce({stage}, {interval}, {settled_by_parts}, {missing}, {expected}, {_code('not_measured')})"
    return f"coalesce({stage}, {missing}, {interval}, {expected}, {COUNTED})"
