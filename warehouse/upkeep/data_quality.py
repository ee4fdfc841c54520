"""How complete and clean the data are: what was turned away, what is missing where, what each load has kept."""

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import polars as pl

from warehouse.cases.flow import turned_away_cases
from warehouse.marts.reader import Reader
from warehouse.selection import WHOEVER, Selection, stated
from warehouse.store.quoting import name as checked
from warehouse.store.quoting import statement

CASE_FIELDS: dict[str, str] = stated("completeness")  # column of mart_cases -> its name on screens

START_FIELDS = ("joint_symptoms_start", "sleep_breathing_concern_start", "mouth_posture_start")
SHOWN_CASES = 15
"""Cases of a load that are shown before the real load."""


@dataclass(frozen=True, slots=True)
class RuleCount:
    """Rows that broke one rule: the rule, what it says, what to do, rows, the first rows, the columns it was about."""

    rule: str
    reason: str
    remedy: str
    n_rows: int
    first_rows: tuple[int, ...]
    columns: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Completeness:
    """One field in one year of start: cases that should have it, and cases that do."""

    field: str
    year: str
    n: int
    n_known: int


@dataclass(frozen=True, slots=True)
class AssumptionOnFile:
    """Something taken to be so when a file was read: about what, what was taken, and why."""

    about: str
    taken: str
    because: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """One load of one table of one file."""

    load_id: int
    loaded_at: str
    practice: str
    source: str
    table: str
    n_read: int
    n_loaded: int
    n_turned_away: int
    assumptions: tuple[AssumptionOnFile, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class DataQuality:
    """Everything said about completeness and cleanness."""

    turned_away: tuple[RuleCount, ...]  # Rules that turned rows away, most rows first
    remarks: tuple[RuleCount, ...]  # Rules that remarked on rows which were loaded, most rows first
    n_open: int  # Rows turned away for which nothing later speaks
    n_cases_turned_away: int  # Cases handed over of which nothing is in the warehouse
    # One a field and year; measures at the finish are asked of finished cases only
    completeness: tuple[Completeness, ...]
    loads: tuple[Load, ...]  # Newest first


def data_quality(reader: Reader, *, selection: Selection) -> DataQuality:
    """Quality of everything loaded by the practices selected; other filters do not apply to refused rows."""
    practices = selection.filters.get("practice", ())
    return DataQuality(
        turned_away=_rules(reader, "mart_turned_away", _of(practices, "mart_loads.practice"), practices),
        remarks=_rules(reader, "mart_remarks", _of(practices, "mart_loads.practice"), practices),
        n_open=_rows_open(reader, practices),
        n_cases_turned_away=turned_away_cases(reader, practices),
        completeness=_completeness(reader, selection),
        loads=_loads(reader, practices),
    )


def _of(wanted: Iterable[object], column: str) -> str:
    marks = ", ".join("?" for _ in wanted)
    return f" where {column} in ({marks})" if marks else ""


def _rules(reader: Reader, table: str, where: str, values: Sequence[object]) -> tuple[RuleCount, ...]:
    condition = where.removeprefix(" where ") or "true"
    rows = reader.connection.rows(
        statement("warehouse.upkeep", "rules_broken.sql", table=table, where=condition), values
    )
    said = json.loads(reader.settings.get("rules", "{}"))
    found = []
    for rule, n_rows, first_rows, columns in rows:
        reason, remedy = said.get(rule, ("", ""))
        found.append(RuleCount(rule, reason, remedy, n_rows, tuple(first_rows), tuple(filter(None, columns))))
    return tuple(found)


def _rows_open(reader: Reader, practices: tuple[str, ...]) -> int:
    query = (
        "select count(distinct (mart_turned_away.load_id, row_no)) from mart_turned_away"
        " inner join mart_loads on mart_loads.load_id = mart_turned_away.load_id"
        f"{_of(practices, 'practice') or ' where true'} and is_open"
    )
    return int(reader.connection.value(query, practices))


def _completeness(reader: Reader, selection: Selection) -> tuple[Completeness, ...]:
    """Case fields and answers at the start, then measures that definitions rest on, at the start and at the finish."""
    known = {column: f"count(mart_cases.{column})" for column in CASE_FIELDS}
    known |= {column: f"count(nullif(mart_cases.{column}, 'not asked'))" for column in START_FIELDS}
    names = CASE_FIELDS | {one: "start: " + one.replace("_start", "").replace("_", " ") for one in START_FIELDS}
    found = _by_year(reader, selection, known, names, source="mart_cases", condition="true")
    for timepoint, condition in (("start", "true"), ("finish", "mart_cases.status = 'finished'")):
        measures = _measures(reader)
        counts = {code: f"count(mart_timeline.{checked(code)})" for code in measures}
        labels = {code: f"{timepoint}: {label}" for code, label in measures.items()}
        source = (
            "mart_cases left join mart_timeline on mart_timeline.case_no = mart_cases.case_no"
            f" and mart_timeline.timepoint = '{timepoint}'"
        )
        found += _by_year(reader, selection, counts, labels, source=source, condition=condition)
    return tuple(found)


def _measures(reader: Reader) -> dict[str, str]:
    """Measures that some definition rests on and that were read at all: code -> label."""
    wanted = {measure for definition in reader.registry for measure in definition.measures}
    rows = reader.connection.rows("select column_name from duckdb_columns() where table_name = 'mart_timeline'")
    present = {column for (column,) in rows}
    listed = reader.connection.rows("select measure, label from mart_measures")
    return {code: label for code, label in listed if code in wanted and code in present}


def _by_year(
    reader: Reader, selection: Selection, counts: dict[str, str], names: dict[str, str], *, source: str, condition: str
) -> list[Completeness]:
    if not counts:
        return []
    where, values = selection.where()
    frame: pl.DataFrame = reader.connection.frame(
        statement(
            "warehouse.upkeep",
            "known_by_year.sql",
            counts=", ".join(f"{count} as {checked(code)}" for code, count in counts.items()),
            source=source,
            condition=condition,
            selected=where,
        ),
        values,
    )
    return [
        Completeness(names[code], row["year"], row["n"], row[code])
        for code in counts
        for row in frame.iter_rows(named=True)
    ]


def _loads(reader: Reader, practices: tuple[str, ...]) -> tuple[Load, ...]:
    rows = reader.connection.frame(
        f"select * from mart_loads{_of(practices, 'practice')} order by load_id desc", practices
    ).to_dicts()
    return tuple(
        Load(
            load_id=row["load_id"],
            loaded_at=f"{row['loaded_at']:%Y-%m-%d %H:%M}",
            practice=row["practice"],
            source=row["source_name"] + (f", sheet {row['source_sheet']}" if row["source_sheet"] else ""),
            table=row["table_name"],
            n_read=row["n_read"],
            n_loaded=row["n_loaded"],
            n_turned_away=row["n_turned_away"],
            assumptions=tuple(
                AssumptionOnFile(one["about"], one["taken"], one["because"]) for one in json.loads(row["assumptions"])
            ),
        )
        for row in rows
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LoadPreview:
    """Loads after a given one."""

    loads: tuple[Load, ...]  # The new loads
    turned_away: tuple[RuleCount, ...]  # Rules that turned away rows of these loads
    remarks: tuple[RuleCount, ...]  # Rules that remarked on their rows
    n_cases: int  # Cases whose row these loads brought or corrected
    cases: pl.DataFrame  # The first of them, as kept: the shortened keyed hash, no date, no name
    # Measures kept at the first of these cases: case, timepoint, months_from_start, then the measures
    measures: pl.DataFrame


def load_preview(reader: Reader, *, after: int) -> LoadPreview:
    """What the loads with a number above ``after`` have kept."""
    quality = data_quality(reader, selection=Selection(selection="both", filters=WHOEVER))
    loads = tuple(load for load in quality.loads if load.load_id > after)
    numbers = [load.load_id for load in loads]
    return LoadPreview(
        loads=loads,
        turned_away=_rules(reader, "mart_turned_away", _of(numbers, "mart_loads.load_id") or "false", numbers),
        remarks=_rules(reader, "mart_remarks", _of(numbers, "mart_loads.load_id") or "false", numbers),
        n_cases=int(reader.connection.value("select count(*) from mart_cases where load_id > ?", [after])),
        cases=reader.connection.frame(
            statement("warehouse.upkeep", "cases_of_loads.sql", most=str(SHOWN_CASES)), [after]
        ),
        measures=_kept_measures(reader, after),
    )


def _kept_measures(reader: Reader, after: int) -> pl.DataFrame:
    frame = reader.connection.frame(
        statement("warehouse.upkeep", "measures_of_loads.sql", most=str(SHOWN_CASES)), [after]
    )
    return frame.select(column for column in frame if column.null_count() < frame.height)
