"""Building the published tables from the store, in one pass, into the file attached as ``mart``."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from warehouse.marts.coded import coded_columns, coded_statement, coded_times, seen_columns
from warehouse.marts.method_errors import default_errors, method_errors, own_errors, repeat_sums
from warehouse.marts.outcome_sql import STEP_NUMBERS, Setting, outcomes_statement, results_parameters
from warehouse.marts.statements import (
    QUESTIONS_ASKED,
    answers_statement,
    cases_statement,
    filled,
    span_statement,
    timeline_statement,
)
from warehouse.marts.steps import STEPS
from warehouse.measures.catalogue import CATALOGUE
from warehouse.measures.formulae import WeightedTotal
from warehouse.outcomes.definition import SPANS
from warehouse.outcomes.registry import definition_to_dict
from warehouse.store.quoting import name

if TYPE_CHECKING:
    from collections.abc import Sequence

    import polars as pl

    from warehouse.marts.catalogues import Catalogues
    from warehouse.store.tables import Tables

_RECORDS = (
    ("mart_loads", "loads"),
    ("mart_turned_away", "turned_away"),
    ("mart_remarks", "remarks"),
)
_PLANS = (
    "select entry, name as plan_id, version, body, registered_at from menton.main.registrations"
    " where kind = 'plan' order by entry"
)
READING_KEYS = {"case_no", "load_id", "row_no", "timepoint", "examiner", "repeat_no", "computed", "replaced_by"}


def build_marts(connection: Tables, catalogues: Catalogues) -> None:
    """Build every published table. ``mart`` must be attached and empty; the store is only read."""
    connection.execute("set search_path = 'mart.main,menton.main'")
    try:
        _build(connection, catalogues)
    finally:
        connection.execute("use menton")


def _build(connection: Tables, catalogues: Catalogues) -> None:
    read = measures_present(connection)
    errors = method_errors(repeat_sums(connection, read))
    totals = _totals(catalogues, read)
    has_repeats = _has_repeats(connection)
    timeline = timeline_statement(read, has_repeats=has_repeats, on_film=_on_film(catalogues, read), totals=totals)
    labels = catalogues.settings.get("labels", "{}")
    _create(connection, "mart_timeline", coded_statement(timeline, coded_times(labels)))
    measures = [*read, *(total for total in totals if total not in read)]
    _build_cases(connection, measures, labels)
    _build_spans(connection, measures, catalogues)
    _build_outcomes(connection, measures, catalogues, errors)
    for published, kept in _RECORDS:
        _create(connection, published, f"select * from menton.main.{name(kept)}")
    _create(connection, "mart_turned_away_cases", filled("turned_away_cases.sql"))
    kept = ", ".join(column for column in connection.columns("landmarks") if column != "replaced_by")
    _create(connection, "mart_landmarks", f"select {kept} from landmarks where replaced_by is null")
    _create(connection, "mart_repeats", _repeats_statement(read, has_repeats=has_repeats))
    _create(connection, "mart_plans", _PLANS)
    _build_descriptions(connection, catalogues, errors)


def _create(connection: Tables, table: str, statement: str) -> None:
    connection.execute(f"create table mart.main.{name(table)} as {statement}")


def reading_columns(connection: Tables) -> list[str]:
    """Measures that the readings table has a column for."""
    return [column for column in connection.columns("readings") if column not in READING_KEYS]


def measures_present(connection: Tables) -> list[str]:
    """Measures with at least one current reading, in catalogue order."""
    columns = reading_columns(connection)
    if not columns:
        return []
    counts = ", ".join(f"count({name(column)})" for column in columns)
    row = connection.rows(f"select {counts} from readings where replaced_by is null")[0]
    return [column for column, count in zip(columns, row, strict=True) if count]


def _has_repeats(connection: Tables) -> bool:
    found = connection.rows(
        "select max(repeat_no) > 1, count(distinct examiner) > 1 from readings where replaced_by is null"
    )
    return any(found[0])


def _build_cases(connection: Tables, measures: Sequence[str], labels: str) -> None:
    n_phases = connection.value("select coalesce(max(phase_no), 0) from phases where replaced_by is null")
    counts = connection.rows(answers_statement())[0]
    answered = [question for question, n in zip(QUESTIONS_ASKED, counts, strict=True) if n]
    statement = cases_statement(measures, n_phases=n_phases, answers=answered)
    coded = coded_columns(labels) | seen_columns(connection, n_phases=n_phases)
    _create(connection, "mart_cases", coded_statement(statement, coded))


def _build_spans(connection: Tables, measures: Sequence[str], catalogues: Catalogues) -> None:
    seen = {time for (time,) in connection.rows("select distinct timepoint from mart_timeline")}
    for position, span in enumerate(SPANS):
        statement = span_statement(span, measures, catalogues.reference)
        if position == 0:
            _create(connection, "mart_spans", statement)
        elif seen.issuperset(SPANS[span]):
            connection.execute(f"insert into mart.main.mart_spans by name {statement}")


def _build_outcomes(connection: Tables, measures: Sequence[str], catalogues: Catalogues, errors: pl.DataFrame) -> None:
    setting = Setting(
        measures=measures,
        grown=[measure for measure in measures if measure in catalogues.reference.measures],
        gonion=[measure for measure in measures if _depends_on(catalogues, measure, "gonion")],
        porion=[measure for measure in measures if _depends_on(catalogues, measure, "porion")],
        size=_on_film(catalogues, measures),
        own_error=own_errors(errors),
        default_error=default_errors(catalogues.measures),
    )
    definitions = tuple(catalogues.definitions)
    _create(connection, "mart_results", filled("results.sql", **results_parameters(definitions, setting)))
    connection.execute(f"create view mart.main.mart_outcomes as {outcomes_statement(definitions)}")


def _totals(catalogues: Catalogues, read: Sequence[str]) -> dict[str, WeightedTotal]:
    """Measures that are a weighted total of others, where all of its parts were read."""
    return {
        code: measure.formula
        for code, measure in catalogues.measures.items()
        if isinstance(measure.formula, WeightedTotal)
        and all(part in read for part, weight in measure.formula.terms if weight)
    }


def _on_film(catalogues: Catalogues, measures: Sequence[str]) -> list[str]:
    return [measure for measure in measures if catalogues.measures.measure(measure).on_film]


def _depends_on(catalogues: Catalogues, measure: str, landmark: str) -> bool:
    return any(variant.startswith(landmark) for variant in catalogues.measures.measure(measure).variants)


def _repeats_statement(measures: Sequence[str], *, has_repeats: bool) -> str:
    """Every reading of records that were read more than once, for the picture of measuring quality."""
    none = "" if has_repeats else " and 1 = 0"  # known already: nothing need be counted
    listed = "".join(f", readings.{name(measure)}" for measure in measures)
    return (
        "select case_registry.practice, readings.case_no, readings.timepoint, readings.examiner,"
        f" readings.repeat_no{listed} from readings"
        " inner join case_registry on case_registry.case_no = readings.case_no"
        " inner join (select case_no, timepoint from readings where replaced_by is null"
        " group by case_no, timepoint having count(*) > 1) as twice"
        " on twice.case_no = readings.case_no and twice.timepoint = readings.timepoint"
        f" where readings.replaced_by is null{none}"
    )


def _build_descriptions(connection: Tables, catalogues: Catalogues, errors: pl.DataFrame) -> None:
    """What a reader needs to say which definition, measure and growth reference made a figure."""
    with connection.given(
        given_definitions=_definitions_frame(catalogues),
        given_measures=_measures_frame(catalogues),
        given_growth=_growth_frame(catalogues),
        given_errors=errors,
        given_settings=_settings_frame(catalogues),
        given_steps=_steps_frame(),
    ):
        for what in ("definitions", "measures", "growth", "errors", "settings", "steps"):
            published = "mart_method_errors" if what == "errors" else f"mart_{what}"
            _create(connection, published, f"select * from given_{what}")


def _definitions_frame(catalogues: Catalogues) -> pl.DataFrame:
    import polars as pl

    return pl.DataFrame(
        [
            {
                "definition_id": d.id,
                "version": d.version,
                "family": d.family,
                "label": d.label,
                "sentence": d.sentence,
                "source": d.source,
                "body": json.dumps(definition_to_dict(d)),
            }
            for d in catalogues.definitions
        ]
    )


def _measures_frame(catalogues: Catalogues) -> pl.DataFrame:
    import polars as pl

    return pl.DataFrame(
        [
            {
                "measure": m.code,
                "label": m.label,
                "definition": m.definition,
                "unit": m.unit,
                "family": m.family,
                "up_means": m.up_means,
                "sign": m.sign,
                "is_own": m.code not in CATALOGUE,
            }
            for m in catalogues.measures.values()
        ]
    )


def _growth_frame(catalogues: Catalogues) -> pl.DataFrame:
    import polars as pl

    reference = catalogues.reference
    return pl.DataFrame(
        [
            {
                "reference_id": reference.id,
                "version": reference.version,
                "label": reference.label,
                "provenance": reference.provenance,
                "measure": curve.measure,
                "sex": curve.sex,
                "ages": list(curve.ages),
                "means": list(curve.means),
                "slope_sd": curve.slope_sd,
                "slope_se": curve.slope_se,
                "source": curve.source,
            }
            for curve in reference.curves
        ],
        schema_overrides={"slope_sd": pl.Float64, "slope_se": pl.Float64},
    )


def _settings_frame(catalogues: Catalogues) -> pl.DataFrame:
    import polars as pl

    return pl.DataFrame({"name": list(catalogues.settings), "value": list(catalogues.settings.values())})


def _steps_frame() -> pl.DataFrame:
    import polars as pl

    return pl.DataFrame(
        [
            {
                "step_no": STEP_NUMBERS[step],
                "step": step,
                "reached": meaning.reached,
                "reason": meaning.reason,
                "is_due": meaning.is_due,
            }
            for step, meaning in STEPS.items()
        ]
    )
