"""Building the published tables from the store, in one pass, into the file attached as ``mart``."""

import json
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import polars as pl

from warehouse.marts.catalogues import Catalogues
from warehouse.marts.method_errors import default_errors, method_errors, own_errors, repeat_sums
from warehouse.marts.outcome_sql import STEP_NUMBERS, Setting, outcomes_statement, results_parameters
from warehouse.marts.statements import (
    APPLIANCES,
    BANDED,
    TIMES,
    answers_statement,
    cases_statement,
    filled,
    span_statement,
    timeline_statement,
)
from warehouse.marts.steps import STEPS
from warehouse.measures.catalogue import CATALOGUE
from warehouse.measures.formulae import WeightedTotal
from warehouse.outcomes.definition import QUESTIONS, SPANS
from warehouse.outcomes.registry import definition_to_dict
from warehouse.selection import VARIABLES, listed
from warehouse.store.quoting import name, text
from warehouse.store.tables import Tables

MOST_VALUES = 1000  # values up to which a column of free text is kept as an enumeration

_OWN: dict[str, tuple[str, ...]] = {
    **{VARIABLES[name].column or name: VARIABLES[name].values for name in BANDED},
    "appliance_first": APPLIANCES,
    "appliance_group": (*APPLIANCES, "two_phase"),
}
_SEEN = {
    "practice": "select distinct practice from loads",
    "extracted_teeth": "select distinct extracted_teeth from cases where replaced_by is null",
    "start_quarter": "select distinct start_quarter from cases where replaced_by is null",
    "clinician": "select distinct clinician from cases where replaced_by is null",
}
_SEEN_APPLIANCES = "select distinct appliance_category from phases where replaced_by is null"


def coded_columns(connection: Tables, table: str, lists: Mapping[str, Mapping[str, str]]) -> dict[str, tuple[str, ...]]:
    """Column of a table of the store -> its codes; ``lists`` are the contract's labels as registered, or none."""
    return {column: tuple(lists[column]) for column in connection.columns(table) if column in lists}


def coded_answers(lists: Mapping[str, Mapping[str, str]]) -> dict[str, tuple[str, ...]]:
    """Question -> its codes."""
    code_lists = {question: "asked" if "yes" in known else question for question, known in QUESTIONS.items()}
    return {question: tuple(lists[codes]) for question, codes in code_lists.items() if codes in lists}


def seen_columns(connection: Tables, *, n_phases: int) -> dict[str, tuple[str, ...]]:
    """Column of mart_cases -> the values it has, for text that is free but of few values.

    Sequences of appliances are not looked through where there is more than one phase.
    """
    found = {column: _values(connection.rows(question)) for column, question in _SEEN.items()}
    if n_phases <= 1:
        appliances = _values(connection.rows(_SEEN_APPLIANCES))
        found |= {"appliance_sequence": appliances, "appliance_ever": appliances}
    return {column: values for column, values in found.items() if 0 < len(values) <= MOST_VALUES}


def _values(rows: Iterable[tuple[str | None, ...]]) -> tuple[str, ...]:
    return tuple(sorted(value for (value,) in rows if value is not None))


def coded_statement(statement: str, columns: Mapping[str, Sequence[str]]) -> str:
    """The statement with its coded columns cast to enumerations."""
    casts = ", ".join(
        f"cast({name(column)} as enum({', '.join(text(code) for code in codes)})) as {column}"
        for column, codes in columns.items()
    )
    return f"select * replace ({casts}) from ({statement}) as listed"


_PHASES = "select case_no, phase_no, appliance_category, months_from_start from phases where replaced_by is null"
_PLANS = (
    "select entry, name as plan_id, version, body, registered_at from menton.main.registrations"
    " where kind = 'plan' order by entry"
)
KEYS = {
    "cases": ("case_no",),
    "phases": ("case_no", "phase_no"),
    "visits": ("case_no", "timepoint"),
    "readings": ("case_no", "timepoint", "examiner", "repeat_no"),
    "landmarks": ("case_no", "timepoint", "view", "landmark", "examiner", "repeat_no"),
}
"""Table -> its natural key; of the current rows of a table, each key stands once."""

READING_KEYS = {"case_no", "load_id", "row_no", "timepoint", "examiner", "repeat_no", "computed", "replaced_by"}


def build_marts(connection: Tables, catalogues: Catalogues) -> None:
    """Build every published table. ``mart`` must be attached and empty; the store is only read.

    Where it fails, whoever called turns back to the store: in a transaction that failed no statement is heard.
    """
    connection.execute("set search_path = 'mart.main,menton.main'")
    _build(connection, catalogues)
    connection.execute("use menton")


def _build(connection: Tables, catalogues: Catalogues) -> None:
    read = measures_present(connection)
    errors = method_errors(repeat_sums(connection, read))
    totals = _totals(catalogues, read)
    has_repeats = _has_repeats(connection)
    timeline = timeline_statement(read, has_repeats=has_repeats, on_film=_on_film(catalogues, read), totals=totals)
    lists: Mapping[str, Mapping[str, str]] = json.loads(catalogues.settings.get("labels", "{}"))
    at_a_time = coded_columns(connection, "visits", lists) | {"timepoint": TIMES} | coded_answers(lists)
    _create(connection, "mart_timeline", coded_statement(timeline, at_a_time))
    measures = [*read, *(total for total in totals if total not in read)]
    _build_cases(connection, measures, lists)
    _build_spans(connection, measures, catalogues)
    _build_outcomes(connection, measures, catalogues, errors)
    _create(connection, "mart_loads", "select * from menton.main.loads")
    for kept in ("turned_away", "remarks"):
        _create(connection, f"mart_{kept}", filled("reasons.sql", table=kept))
    _create(connection, "mart_turned_away_cases", filled("turned_away_cases.sql"))
    kept = ", ".join(column for column in connection.columns("landmarks") if column != "replaced_by")
    _create(connection, "mart_landmarks", f"select {kept} from landmarks where replaced_by is null")
    listed = "".join(f",\n    readings.{name(measure)}" for measure in read)
    none = "" if has_repeats else " and 1 = 0"  # known already: nothing need be counted
    _create(connection, "mart_repeats", filled("repeated_readings.sql", measures=listed, none=none))
    _create(connection, "mart_phases", _PHASES)
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


def _build_cases(connection: Tables, measures: Sequence[str], lists: Mapping[str, Mapping[str, str]]) -> None:
    n_phases = connection.value("select coalesce(max(phase_no), 0) from phases where replaced_by is null")
    counts = connection.rows(answers_statement())[0]
    answered = [question for question, n in zip(QUESTIONS, counts, strict=True) if n]
    statement = cases_statement(measures, n_phases=n_phases, answers=answered)
    answers = {f"{question}_{time}": codes for question, codes in coded_answers(lists).items() for time in TIMES}
    contracted = coded_columns(connection, "cases", lists)
    coded = _OWN | contracted | answers | seen_columns(connection, n_phases=n_phases)
    _create(connection, "mart_cases", coded_statement(statement, coded))


def _build_spans(connection: Tables, measures: Sequence[str], catalogues: Catalogues) -> None:
    reference = catalogues.reference
    seen = {time for (time,) in connection.rows("select distinct timepoint from mart_timeline")}
    for position, span in enumerate(SPANS):
        statement = span_statement(span, measures, reference)
        if position == 0:
            _create(connection, "mart_spans", statement)
        elif seen.issuperset(SPANS[span]):
            connection.execute(f"insert into mart.main.mart_spans by name {statement}")


def _build_outcomes(connection: Tables, measures: Sequence[str], catalogues: Catalogues, errors: pl.DataFrame) -> None:
    used = catalogues.references_used
    setting = Setting(
        measures=measures,
        grown=[measure for measure in measures if measure in used],
        gonion=[measure for measure in measures if _depends_on(catalogues, measure, "gonion")],
        porion=[measure for measure in measures if _depends_on(catalogues, measure, "porion")],
        photo=[measure for measure in measures if catalogues.measures.measure(measure).on_photo],
        size=_on_film(catalogues, measures),
        own_error=own_errors(errors),
        default_error=default_errors(catalogues.measures),
    )
    definitions = catalogues.definitions.definitions
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


HEADLINES = ("D1", "D6", "F2")  # headline definitions to follow what cases have: films, photographs, a ruler
INSTEAD = {"plane_at_start": "facial_index_at_start"}  # what is adjusted for where another variable is not recorded
ENOUGH = 0.1  # share of cases from which on a record counts as one that cases have (common practice, no source)


def what_cases_have(connection: Tables, catalogues: Catalogues) -> dict[str, str]:
    """The settings that follow what is recorded: the headline definition, the usual adjustment, what there is of it.

    A practice without a radiograph gets an answer of its photographs. Films come first: another headline is taken only
    where fewer than one in ten of the cases it counts could be counted by films. The adjustment then keeps to what
    cases with records at the start have; else it is the usual one, so that no figure moves with what is not recorded.
    """
    adjust, recorded = _adjustment(connection)
    usual = [one.name for one in listed("usual")]
    found = {"adjust": ",".join(usual), "recorded": ",".join(recorded)}
    headlines = [one for one in HEADLINES if any(one == known.id for known in catalogues.definitions)]
    if catalogues.settings["definition"] == HEADLINES[0] and headlines:
        counts = ", ".join(f"count({name(one.lower())}_adverse)" for one in headlines)
        counted = dict(zip(headlines, connection.rows(f"select {counts} from mart_results")[0], strict=True))
        most = max(counted.values())
        if most:
            found["definition"] = next(one for one, n in counted.items() if n >= ENOUGH * most)
            if found["definition"] != HEADLINES[0]:
                found["adjust"] = ",".join(adjust)
    return found


def _adjustment(connection: Tables) -> tuple[list[str], list[str]]:
    """What is usually adjusted for, and every variable that some case has."""
    columns = {one.name: one.column or one.name for one in listed("adjustable")}
    counts = ", ".join(f"count({column})" for column in columns.values())
    n, *known = connection.rows(f"select count(*), {counts} from mart_cases where has_start_records")[0]
    count = dict(zip(columns, known, strict=True))
    usual = [one.name for one in listed("usual")]
    has = {one for one in columns if count[one] and count[one] >= ENOUGH * n}
    chosen = [one if one in has else INSTEAD.get(one, one) for one in usual]
    return [one for one in chosen if one in has] or usual, [one for one in columns if count[one]]


_OF_DEFINITION = ("version", "family", "label", "sentence", "source")
_OF_MEASURE = ("label", "definition", "unit", "family", "up_means", "sign")
_OF_REFERENCE = ("version", "label", "provenance")
_OF_CURVE = (
    "measure", "sex", "ages", "means", "slope_sd", "slope_se", "source", "evidence", "spread_evidence", "spread_source",
    "spread_children", "trust",
)  # fmt: skip
_OF_STEP = ("reached", "reason", "is_due")


def _build_descriptions(connection: Tables, catalogues: Catalogues, errors: pl.DataFrame) -> None:
    """What a reader needs to say which definition, measure and growth reference made a figure."""
    import polars as pl

    definitions = [
        {"definition_id": one.id, **_of(one, _OF_DEFINITION), "body": json.dumps(definition_to_dict(one))}
        for one in catalogues.definitions.definitions
    ]
    measures = [
        {"measure": code, **_of(one, _OF_MEASURE), "is_own": code not in CATALOGUE}
        for code, one in catalogues.measures.items()
    ]
    growth = [
        {"reference_id": one.id, **_of(one, _OF_REFERENCE), **_of(curve, _OF_CURVE)}
        for one, curve in catalogues.curves_used
    ]
    steps = [{"step_no": STEP_NUMBERS[step], "step": step, **_of(said, _OF_STEP)} for step, said in STEPS.items()]
    settings = catalogues.settings | what_cases_have(connection, catalogues)
    described = {
        "definitions": pl.DataFrame(definitions),
        "measures": pl.DataFrame(measures),
        "growth": pl.DataFrame(
            growth, schema_overrides={"slope_sd": pl.Float64, "slope_se": pl.Float64, "spread_children": pl.Int64}
        ),
        "method_errors": errors,
        "settings": pl.DataFrame({"name": list(settings), "value": list(settings.values())}),
        "steps": pl.DataFrame(steps),
    }
    with connection.given(**{f"given_{what}": frame for what, frame in described.items()}):
        for what in described:
            _create(connection, f"mart_{what}", f"select * from given_{what}")


def _of(described: object, fields: Sequence[str]) -> dict[str, Any]:
    values = {field: getattr(described, field) for field in fields}
    return {field: list(value) if isinstance(value, tuple) else value for field, value in values.items()}
