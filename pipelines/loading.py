"""Loading validated rows into the store: one transaction, every row counted, earlier rows kept in history."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass
from importlib.metadata import version
from typing import TYPE_CHECKING

import polars as pl

from warehouse.errors import BrokenRuleError
from warehouse.marts.build import reading_columns
from warehouse.marts.expressions import name
from warehouse.storage import utc_now
from warehouse.store import record_event

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from pipelines.delivery import Delivery, Sorted
    from warehouse.storage import Connection

READING_KEYS = ("case_no", "load_id", "row_no", "timepoint", "examiner", "repeat_no", "replaced_by")
_KEYS = {
    "cases": ("case_no",),
    "phases": ("case_no", "phase_no"),
    "visits": ("case_no", "timepoint"),
    "readings": ("case_no", "timepoint", "examiner", "repeat_no"),
    "landmarks": ("case_no", "timepoint", "view", "landmark", "examiner", "repeat_no"),
}
"""Table -> its natural key; of the current rows of a table, each key stands once."""

_ORDER = ("cases", "phases", "visits", "landmarks", "readings")


@dataclass(frozen=True, slots=True)
class LoadRecord:
    """What one load did: the numbers that must add up, and what was taken to be so."""

    load_id: int
    source: str
    table: str
    n_read: int
    n_loaded: int
    n_turned_away: int
    n_remarks: int
    n_replaced: int


def request_hash(delivery_sha256: str, *, practice: str, mapping: str, contract: str) -> str:
    """What identifies a load: the file's bytes, the practice, the mapping and the contract version."""
    return hashlib.sha256("\x1f".join([delivery_sha256, practice, mapping, contract]).encode()).hexdigest()


def earlier_load(connection: Connection, request: str) -> tuple[int, int, int] | None:
    """The last load of this very request: its number, rows loaded and rows turned away."""
    found = connection.rows(
        "select load_id, n_loaded, n_turned_away from loads where request_sha256 = ? order by load_id desc limit 1",
        [request],
    )
    return found[0] if found else None


def load(
    connection: Connection,
    batch: Sequence[tuple[Sorted, str]],
    *,
    contract_version: str,
    progress: Callable[[str], None] = lambda _: None,
) -> list[LoadRecord]:
    """Load a batch of (validated delivery, request hash) in one transaction.

    Raises:
        BrokenRuleError: The counts of a load do not add up; nothing of the batch is kept.
    """
    records = []
    with connection.transaction():
        for validated, request in batch:
            progress(f"loading {validated.delivery.source.name}")
            records.append(_load_one(connection, validated, request, contract_version))
        record_event(connection, "load", ", ".join(f"load {record.load_id}" for record in records))
    return records


def _load_one(connection: Connection, validated: Sorted, request: str, contract_version: str) -> LoadRecord:
    delivery = validated.delivery
    _refuse_open_sum(validated)
    load_id: int = connection.value("select coalesce(max(load_id), 0) + 1 from loads")
    connection.execute(
        "insert into loads values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [
            load_id,
            delivery.practice,
            delivery.layout,
            _table_name(delivery),
            delivery.source.name,
            delivery.source.sheet,
            delivery.source.sha256,
            delivery.source.n_bytes,
            request,
            utc_now(),
            version("menton"),
            contract_version,
            json.dumps([asdict(assumption) for assumption in delivery.assumptions]),
            delivery.n_read,
            validated.n_good,
            validated.n_turned_away,
        ],
    )
    _register_cases(connection, validated, delivery.practice)
    replaced = sum(_load_table(connection, validated, table, load_id) for table in _ORDER if table in validated.good)
    _keep_reasons(connection, "turned_away", validated.turned_away, load_id)
    _keep_reasons(connection, "remarks", validated.remarks, load_id)
    return LoadRecord(
        load_id=load_id,
        source=delivery.source.name,
        table=_table_name(delivery),
        n_read=delivery.n_read,
        n_loaded=validated.n_good,
        n_turned_away=validated.n_turned_away,
        n_remarks=validated.remarks.height,
        n_replaced=replaced,
    )


def _table_name(delivery: Delivery) -> str:
    if delivery.layout == "wide":
        return "cases"
    return next(iter(delivery.tables))


def _refuse_open_sum(validated: Sorted) -> None:
    delivery = validated.delivery
    if delivery.n_read != validated.n_good + validated.n_turned_away:
        found = (
            f"{delivery.n_read} rows were read, but {validated.n_good} are to be loaded"
            f" and {validated.n_turned_away} were turned away"
        )
        raise BrokenRuleError(found, where=delivery.source.name, expected="read = loaded + turned away")


def _register_cases(connection: Connection, validated: Sorted, practice: str) -> None:
    """Give every case of the load a number; a case keeps the number it has.

    Leaves ``case_numbers`` (row_no, case_id, case_no) behind: for a file of cases its rows, else every known case.
    """
    cases = validated.good.get("cases")
    if cases is None:
        connection.execute(
            "create or replace temp table case_numbers as"
            " select cast(null as integer) as row_no, case_key as case_id, case_no from case_registry"
        )
        return
    with connection.given(new_cases=cases.select(pl.col("row").alias("row_no"), "case_id")):
        connection.execute(
            """
            insert into case_registry
            select
                (select coalesce(max(case_no), 0) from case_registry) + row_number() over () as case_no,
                ? as practice,
                case_id as case_key
            from (
                select distinct new_cases.case_id from new_cases
                anti join case_registry on case_registry.case_key = new_cases.case_id
            ) as listed
            """,
            [practice],
        )
        connection.execute(
            "create or replace temp table case_numbers as select new_cases.row_no, new_cases.case_id,"
            " case_registry.case_no from new_cases"
            " inner join case_registry on case_registry.case_key = new_cases.case_id"
        )


def _load_table(connection: Connection, validated: Sorted, table: str, load_id: int) -> int:
    """Insert a table's good rows; earlier rows of the same key are marked as replaced. Gives how many were."""
    frame = validated.good[table].rename({"row": "row_no"})
    if frame.is_empty():
        return 0
    if table == "readings":
        _add_measure_columns(connection, frame)
    columns = [column for column in frame.columns if column != "case_id"]
    with connection.given(incoming=frame):
        source = _numbered(validated)
        replaced = 0
        if connection.value(f"select count(*) from (select 1 from {table} where replaced_by is null limit 1)"):
            connection.execute(f"create or replace temp table numbered as {source}")
            replaced = _replace(connection, validated, table, load_id, columns)
            source = "select * from numbered"
        listed = ", ".join(name(column) for column in columns)
        inserted = connection.value(
            f"insert into {table} (case_no, load_id, {listed}) select case_no, {load_id}, {listed} from ({source})"
        )
        connection.execute("drop table if exists numbered")
    _refuse_unknown_cases(frame.height - inserted, table)
    return replaced


def _numbered(validated: Sorted) -> str:
    """Query of the incoming rows with the number of their case; in a wide file the row of the file tells the case."""
    on = "row_no" if validated.delivery.layout == "wide" and "cases" in validated.good else "case_id"
    return (
        "select case_numbers.case_no, incoming.* exclude (case_id)"
        f" from incoming inner join case_numbers on case_numbers.{on} = incoming.{on}"
    )


def _refuse_unknown_cases(n_lost: int, table: str) -> None:
    if n_lost:
        found = f"{n_lost} rows of {table} belong to no case of the warehouse"
        raise BrokenRuleError(found, expected="the rule on rows without a case to turn them away")


def _add_measure_columns(connection: Connection, frame: pl.DataFrame) -> None:
    present = set(reading_columns(connection))
    for column in frame.columns:
        if column not in present and column not in (*READING_KEYS, "case_id"):
            connection.execute(f"alter table readings add column {name(column)} double")


def _replace(connection: Connection, validated: Sorted, table: str, load_id: int, columns: list[str]) -> int:
    """Mark what the load replaces.

    A file of one row a case states the whole case: its earlier phases, visits and readings from such a file go too.
    A reading from another kind of file keeps the measures the new one does not speak of.
    """
    key = " and ".join(f"numbered.{column} = {table}.{column}" for column in _KEYS[table])
    if table == "readings":
        _carry_over(connection, validated, columns)
    connection.execute(
        f"create or replace temp table outdated as select {table}.rowid as row_id from {table}"
        f" where replaced_by is null and exists (select 1 from numbered where {key})"
    )
    if validated.delivery.layout == "wide" and table != "cases":
        connection.execute(
            f"insert into outdated select {table}.rowid from {table}"
            f" inner join loads on loads.load_id = {table}.load_id and loads.layout = 'wide'"
            f" where {table}.replaced_by is null and {table}.case_no in (select case_no from numbered)"
            f" and {table}.rowid not in (select row_id from outdated)"
        )
    connection.execute(f"update {table} set replaced_by = {load_id} where rowid in (select row_id from outdated)")
    replaced: int = connection.value("select count(*) from outdated")
    connection.execute("drop table outdated")
    return replaced


def _carry_over(connection: Connection, validated: Sorted, columns: list[str]) -> None:
    """Fill measures the new reading does not have from the reading it replaces (other files of the same reading)."""
    key = " and ".join(f"readings.{column} = numbered.{column}" for column in _KEYS["readings"])
    other = "and loads.layout <> 'wide'" if validated.delivery.layout == "wide" else ""
    stored = reading_columns(connection)
    incoming = [column for column in stored if column in columns]
    for column in stored:
        if column not in incoming:
            connection.execute(f"alter table numbered add column {name(column)} double")
            columns.append(column)
    filled = ", ".join(f"{name(column)} = coalesce(numbered.{column}, readings.{column})" for column in stored)
    if stored:
        connection.execute(
            f"update numbered set {filled} from readings inner join loads on loads.load_id = readings.load_id {other}"
            f" where readings.replaced_by is null and {key}"
        )


def _keep_reasons(connection: Connection, table: str, reasons: pl.DataFrame, load_id: int) -> None:
    if reasons.is_empty():
        return
    listed = reasons.select(
        pl.lit(load_id, dtype=pl.Int32).alias("load_id"),
        pl.col("table").alias("table_name"),
        pl.col("row").cast(pl.Int64).alias("row_no"),
        pl.col("column").alias("column_name"),
        "rule",
        "found",
        pl.col("case_id").alias("case_key"),
    )
    with connection.given(reasons=listed):
        connection.execute(f"insert into {table} by name select * from reasons")
