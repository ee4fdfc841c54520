"""The queries of the published tables, with measures, teeth, appliances and growth filled in."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

from warehouse.measures.formulae import WeightedTotal
from warehouse.outcomes.definition import QUESTIONS, SPANS, Span
from warehouse.outcomes.growth_reference import GROWTH_OVER_AT, OLDEST, GrowthCurve, GrowthReference
from warehouse.selection import VARIABLES
from warehouse.store.quoting import curve_at, curve_years, either, name, number, statement, text

TIMES = ("start", "progress", "finish", "follow_up")
_QUADRANTS = ("1", "2", "3", "4")
_COUNTED_TEETH = tuple(f"{quadrant}{tooth}" for quadrant in _QUADRANTS for tooth in range(1, 8))
"""Permanent teeth without the third molars: taking out a third molar or a milk tooth makes no extraction case."""

APPLIANCES = VARIABLES["appliance_category"].values
_ALIGNING = ("fixed_labial", "fixed_lingual", "clear_aligner")
_PREPARATORY = tuple(one for one in APPLIANCES if one not in {*_ALIGNING, "retainer", "surgery", "untreated"})
BANDED = tuple(name for name, variable in VARIABLES.items() if variable.bands)
"""Variables whose values mart_cases works out by their bands."""

PLANE_MEASURES = {"sn_gogn_deg": 0.0, "sn_gome_deg": 2.5}
"""Measures of the plane at start -> degrees they lie above SN-GoGn (difference of their norms, ``measures.toml``)."""


def filled(file: str, **parts: str) -> str:
    """The text of a query file of this folder with its parts filled in."""
    return statement("warehouse.marts", file, **parts)


def timeline_statement(
    measures: Sequence[str], *, has_repeats: bool, on_film: Sequence[str], totals: Mapping[str, WeightedTotal]
) -> str:
    """Query of mart_timeline.

    ``has_repeats``: Some time was read more than once, so a reading must be chosen. ``on_film``: Those of the measures
    that are lengths on the film, to be brought to true size. ``totals``: Measures that follow from others: a total that
    was not handed over is added up from its parts.
    """
    shown = [_total(code, total, is_read=code in measures) for code, total in totals.items()]
    shown = [*(_true_size(measure, on_film) for measure in measures if measure not in totals), *shown]
    if has_repeats:
        picked = "".join(
            f",\n        arg_min({name(m)}, case when {m} is not null then reading_rank end) as {m}" for m in measures
        )
        chosen = filled("readings_chosen.sql", measures=picked)
    else:
        chosen = filled("readings_once.sql", measures="".join(f",\n        {name(m)}" for m in measures))
    return filled(
        "timeline.sql",
        chosen=chosen,
        answers=",\n        ".join(QUESTIONS),
        shown_answers=",\n    ".join(f"seen_visits.{answer}" for answer in QUESTIONS),
        measures="".join(f",\n    {column}" for column in shown),
    )


def _total(code: str, total: WeightedTotal, *, is_read: bool) -> str:
    """The total handed over, else the weighted sum of its parts; null where a part is missing."""
    added = " + ".join(f"{number(weight)} * in_use.{name(part)}" for part, weight in total.terms if weight)
    return f"{f'coalesce(in_use.{name(code)}, {added})' if is_read else f'({added})'} as {code}"


def _true_size(measure: str, on_film: Sequence[str]) -> str:
    value = f"in_use.{name(measure)}"
    if measure not in on_film:
        return value
    return f"{value} / (1e0 + coalesce(seen_visits.magnification_pct, 0e0) / 100e0) as {measure}"


def cases_statement(measures: Sequence[str], *, n_phases: int, answers: Sequence[str]) -> str:
    """Query of mart_cases; questions that are not among ``answers`` are null without a look."""
    phases = range(1, max(1, n_phases) + 1)
    return filled(
        "cases.sql",
        n_counted_teeth=_count((*_COUNTED_TEETH, "pattern not known")),
        n_first_premolars=_count(("14", "24", "34", "44")),
        n_second_premolars=_count(("15", "25", "35", "45")),
        n_upper_first_premolars=_count(("14", "24")),
        n_lower_second_premolars=_count(("35", "45")),
        n_lower_incisors=_count(("31", "32", "41", "42")),
        phase_order=_phase_order(phases),
        plane_at_start=_at_start([measure for measure in PLANE_MEASURES if measure in measures]),
        facial_index_at_start=_at_start([measure for measure in ("facial_index_pct",) if measure in measures]),
        fma_at_start=_at_start([measure for measure in ("fma_deg",) if measure in measures]),
        appliance_sequence=_sequence(phases),
        appliance_first=_first(),
        **groups_of_sequence(),
        answers=",\n        ".join(_answer_columns(answers)),
        **{name: VARIABLES[name].case for name in BANDED},
    )


def span_statement(span: Span, measures: Sequence[str], reference: GrowthReference) -> str:
    """Query of the rows of mart_spans that lie over one span."""
    earlier, later = SPANS[span]
    readings = "".join(
        f",\n        earlier.{name(measure)} as {measure}__before,\n        later.{measure} as {measure}__after"
        for measure in measures
    )
    grown = [measure for measure in measures if measure in reference.measures]
    expected = "".join(_expected(measure, reference) for measure in grown)
    return filled(
        "span.sql", span=text(span), earlier=text(earlier), later=text(later), readings=readings, expected=expected
    )


def _expected(measure: str, reference: GrowthReference) -> str:
    curves = {sex: reference.curve(measure, sex) for sex in ("male", "female", "unknown")}
    mean = _by_sex({sex: _difference(curve) if curve else None for sex, curve in curves.items()})
    spread = _by_sex({sex: _spread(curve) if curve else None for sex, curve in curves.items()})
    return f",\n    {mean} as {name(measure)}__expected,\n    {spread} as {measure}__expected_sd"


def _difference(curve: GrowthCurve) -> str:
    change = f"({curve_at(curve, 'age_after')}) - ({curve_at(curve, 'age_before')})"
    adult = f"case when age_before >= {number(GROWTH_OVER_AT)} then {number(0)} end"
    return change if curve.ages[-1] >= OLDEST else f"coalesce({change}, {adult})"


def _spread(curve: GrowthCurve) -> str | None:
    if curve.yearly_spread is None:
        return None
    spread = number(curve.yearly_spread)
    if curve.spread_by_type:
        by_type = [(kind, replace(curve, slope_sd=sd).yearly_spread) for kind, sd in curve.spread_by_type]
        whens = " ".join(f"when {text(kind)} then {number(sd)}" for kind, sd in by_type if sd is not None)
        spread = f"case vertical_type_start {whens} else {spread} end"
    return f"{spread} * ({curve_years(curve, 'age_before', 'age_after')})"


def _by_sex(expressions: Mapping[str, str | None]) -> str:
    male, female, other = (expressions[sex] or "cast(null as double)" for sex in ("male", "female", "unknown"))
    if male == female == other:
        return f"({male})"
    return f"case when sex = 'male' then {male} when sex = 'female' then {female} else {other} end"


def _count(teeth: Sequence[str]) -> str:
    return "(" + " + ".join(f"case when listed like '% {tooth} %' then 1 else 0 end" for tooth in teeth) + ")"


def _phase_order(phases: range) -> str:
    if len(phases) == 1:
        return filled("phases_once.sql").rstrip()
    return filled("phases_in_turn.sql", phase_columns=",\n        ".join(_phase_columns(phases))).rstrip()


def _phase_columns(phases: range) -> list[str]:
    return [
        *(f"max(case when phase_no = {n} then appliance_category end) as phase_{n}" for n in phases),
        "max(case when skeletal_anchorage = 'yes' then 1 else 0 end) as has_skeletal_anchorage",
        "max(case when appliance_category = 'surgery' then 1 else 0 end) as has_surgery",
        "max(case when phase_no = 1 then arch end) as arch_first",
    ]


def _at_start(measures: Sequence[str]) -> str:
    above = {measure: f" - {number(degrees)}" for measure, degrees in PLANE_MEASURES.items() if degrees}
    readings = [f"at_start.{name(measure)}{above.get(measure, '')}" for measure in measures]
    return either(readings) if readings else "cast(null as double)"


def _sequence(phases: range) -> str:
    if len(phases) == 1:
        return "phase_1"
    listed = " || ".join(f"coalesce(' > ' || phase_{n}, '')" for n in phases)
    # a phase that was turned away leaves a gap: what came first is then not known, and never the next one
    gaps = " or ".join(f"(phase_{n} is null and phase_{n + 1} is not null)" for n in phases if n + 1 in phases)
    return f"case when not ({gaps}) then nullif(substring({listed}, 4), '') end"


def _holds(appliance: str) -> str:
    return f"listed like '% > {name(appliance)} > %'"


def _starts_with(appliance: str) -> str:
    return f"listed like ' > {name(appliance)} > %'"


def _first() -> str:
    return f"case {' '.join(f'when {_starts_with(a)} then {text(a)}' for a in APPLIANCES)} end"


def _ever() -> str:
    listed = " || ".join(f"case when {_holds(a)} then {text(' + ' + a)} else '' end" for a in APPLIANCES)
    return f"nullif(substring({listed}, 4), '')"


def _group() -> str:
    """Two phases where a growth appliance comes first and an aligning one follows, else the first appliance."""
    prepared = " or ".join(_starts_with(appliance) for appliance in _PREPARATORY)
    aligned = " or ".join(_holds(appliance) for appliance in _ALIGNING)
    return f"case when ({prepared}) and ({aligned}) then 'two_phase' else {_first()} end"


def groups_of_sequence() -> dict[str, str]:
    """Grouping -> SQL that gives it from ``listed``, a sequence with its mark at both ends."""
    return {"appliance_ever": _ever(), "appliance_group": _group()}


def _answer_columns(answered: Sequence[str]) -> list[str]:
    return [
        f"at_{time}.{name(question)} as {question}_{time}"
        if question in answered
        else f"cast(null as varchar) as {question}_{time}"
        for question in QUESTIONS
        for time in TIMES
    ]


def answers_statement() -> str:
    """Query that counts the answers to each question: one row, a column a question."""
    counts = ", ".join(f"count({name(question)}) as {question}" for question in QUESTIONS)
    return f"select {counts} from visits where replaced_by is null"
