"""From an outcome definition (data) to the query that settles it for every case."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from warehouse.marts.expressions import either, name, number, settled, text
from warehouse.marts.steps import LOST_STATUSES
from warehouse.outcomes.definition import SPANS, AnswerPart, ChangePart, CrossingPart, Definition, DefinitionPart

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    from warehouse.outcomes.definition import Part, Span


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """What the warehouse holds that a definition's query depends on.

    Attributes:
        measures: Measures that have at least one reading.
        grown: Measures the growth reference has a curve for.
        gonion: Measures that depend on how gonion was marked.
        porion: Measures that depend on how porion was marked.
        own_error: Practice -> measure -> MDC95 from the practice's own repeats.
        default_error: Measure -> MDC95 from the catalogue.
    """

    measures: Collection[str]
    grown: Collection[str]
    gonion: Collection[str]
    porion: Collection[str]
    own_error: Mapping[str, Mapping[str, float]]
    default_error: Mapping[str, float]


def outcome_parameters(definition: Definition, setting: Setting) -> dict[str, str]:
    """What ``outcome.sql`` needs to settle this definition."""
    parts = [_part(part, setting) for part in definition.parts]
    return {
        "definition_id": text(definition.id),
        "definition_version": text(definition.version),
        "family": text(definition.family),
        "joins": "\n    ".join(_joins(definition)),
        "stage": _stage(definition),
        "missing": either([part.missing for part in parts]),
        "interval": _interval(definition),
        "expected": either([part.expected for part in parts]),
        "met": _met(definition, [part.met for part in parts]),
        "value": parts[0].value if len(parts) == 1 else "cast(null as double)",
        "step": _step(definition),
    }


@dataclass(frozen=True, slots=True)
class _PartSql:
    """SQL of one part: met (null where missing), why the reading is missing, why the expectation is, and the value."""

    met: str
    missing: str
    expected: str
    value: str


_NOTHING = "cast(null as varchar)"


def _part(part: Part, setting: Setting) -> _PartSql:
    if isinstance(part, ChangePart):
        return _change(part, setting)
    if isinstance(part, CrossingPart):
        return _crossing(part, setting)
    if isinstance(part, AnswerPart):
        return _answer(part)
    return _reference(part)


def _change(part: ChangePart, setting: Setting) -> _PartSql:
    span = part.span
    usable = [measure for measure in part.measures if measure in setting.measures]
    if not usable:
        return _PartSql("cast(null as boolean)", "'not_measured'", _NOTHING, "cast(null as double)")
    values = [_value(measure, part, span, setting) for measure in usable]
    mets = [_beyond(value, measure, part, setting) for value, measure in zip(values, usable, strict=True)]
    raw = either([_raw(measure, span, setting) for measure in usable])
    value = either(values)
    lacking = f"case when {raw} is not null and {value} is null then 'no_expected' end"
    return _PartSql(either(mets), _why_missing(usable, span, setting), lacking, value)


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
        f"case when not ({raw}) then null when {both} then 'variant_differs' when {before} then 'not_readable_finish'"
        f" when {after} then 'not_readable_start' else 'not_measured' end"
    )


def _crossing(part: CrossingPart, setting: Setting) -> _PartSql:
    span = part.span
    usable = [measure for measure in part.measures if measure in setting.measures]
    if not usable:
        return _PartSql("cast(null as boolean)", "'not_measured'", _NOTHING, "cast(null as double)")
    mets, values = [], []
    for measure in usable:
        before, after = f"{span}.{name(measure)}__before", f"{span}.{measure}__after"
        raw = _raw(measure, span, setting)
        was_average = f"{before} > {number(part.low_to)} and {before} < {number(part.high_from)}"
        crossed = f"({was_average} and {after} >= {number(part.high_from)})"
        mets.append(f"case when {raw} is not null then {crossed} end")
        values.append(f"case when {raw} is not null then {after} end")
    return _PartSql(either(mets), _why_missing(usable, span, setting), _NOTHING, either(values))


def _answer(part: AnswerPart) -> _PartSql:
    earlier, later = SPANS[part.span]
    before = f"mart_cases.{name(part.question)}_{earlier}"
    after = f"mart_cases.{part.question}_{later}"
    met = f"case when {before} = 'no' and {after} in ('yes', 'no') then {after} = 'yes' end"
    missing = (
        f"case when coalesce({before}, 'not asked') = 'not asked' or coalesce({after}, 'not asked') = 'not asked'"
        f" then 'not_asked' when {before} = 'yes' then 'already_present' end"
    )
    return _PartSql(met, missing, _NOTHING, "cast(null as double)")


def _reference(part: DefinitionPart) -> _PartSql:
    alias = f"outcome_{part.definition.lower()}"
    met = f"case {alias}.status when 'adverse' then true when 'not adverse' then false end"
    missing = f"case when {alias}.step <> 'counted' then {alias}.step end"
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


def _joins(definition: Definition) -> list[str]:
    spans = [
        f"left join mart_spans as {span} on {span}.case_no = mart_cases.case_no and {span}.span = {text(span)}"
        for span in _spans(definition)
    ]
    named = [part.definition for part in definition.parts if isinstance(part, DefinitionPart)]
    outcomes = [
        f"left join mart_outcomes as outcome_{other.lower()} on outcome_{other.lower()}.case_no = mart_cases.case_no"
        f" and outcome_{other.lower()}.definition_id = {text(other)}"
        for other in named
    ]
    return spans + outcomes


def _stage(definition: Definition) -> str:
    """Why the case did not reach the end or has no records at a time, else null."""
    lost = " ".join(f"when mart_cases.status = {text(status)} then {text(status)}" for status in LOST_STATUSES)
    times = [SPANS[span] for span in _spans(definition)]
    only_asked = all(isinstance(part, AnswerPart) for part in definition.parts)
    if only_asked:
        return f"case {lost} end"
    first = " and ".join(f"mart_cases.has_{earlier}_records" for earlier, _ in times)
    second = " and ".join(f"mart_cases.has_{later}_records" for _, later in times)
    return f"case {lost} when not ({first}) then 'no_start_records' when not ({second}) then 'no_finish_records' end"


def _interval(definition: Definition) -> str:
    if definition.minimum_months <= 0 and not _needs_growth(definition):
        return _NOTHING
    months = [f"{span}.months" for span in _spans(definition)]
    unknown = " or ".join(f"{month} is null" for month in months)
    short = " or ".join(f"{month} < {number(definition.minimum_months)}" for month in months)
    return f"case when {unknown} then 'interval_unknown' when {short} then 'too_short' end"


def _needs_growth(definition: Definition) -> bool:
    return any(isinstance(part, ChangePart) and part.basis == "growth_adjusted" for part in definition.parts)


def _step(definition: Definition) -> str:
    if definition.missing == "decide":
        return (
            "coalesce(stage_step, interval_step, case when is_met is not null then 'counted' end,"
            " missing_step, expected_step, 'not_measured')"
        )
    return "coalesce(stage_step, missing_step, interval_step, expected_step, 'counted')"
