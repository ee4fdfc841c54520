"""Loading validated rows into the store: one transaction, every row counted, earlier rows kept in history."""

import hashlib
import json
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from importlib.metadata import version

import numpy as np
import polars as pl

from pipelines.checking.tables import main_table
from pipelines.contract.delivery import Sorted
from pipelines.deidentify.file_names import said_name
from warehouse.errors import BrokenRuleError
from warehouse.marts.build import KEYS, READING_KEYS, reading_columns
from warehouse.store.quoting import name, statement, text
from warehouse.store.storage import Connection, utc_now
from warehouse.store.store import record_event

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
    n_replaced: int  # Earlier rows of the main table; of all tables where that is not stored as such


def request_hash(delivery_sha256: str, *, practice: str, mapping: str, contract: str) -> str:
    """What identifies a load: the file's bytes, the practice, the mapping and the contract version."""
    return hashlib.sha256("\x1f".join([delivery_sha256, practice, mapping, contract]).encode()).hexdigest()


def earlier_load(connection: Connection, request: str) -> tuple[int, int, int] | None:
    """The last load of this very request: its number, rows loaded and rows turned away."""
    found = connection.rows(_sql("earlier_load"), [request])
    return found[0] if found else None


def load(
    connection: Connection,
    batch: Sequence[tuple[Sorted, str]],
    *,
    contract_version: str,
    progress: Callable[[str], None] = lambda _: None,
) -> list[LoadRecord]:
    """Load a batch in one transaction; BrokenRuleError, and nothing is kept, where the counts do not add up."""
    records = []
    with connection.set_to(threads="1"), connection.transaction():  # rows go in one after another: one thread does it
        for validated, request in batch:
            progress(f"loading {said_name(validated.delivery.source)}")
            records.append(_load_one(connection, validated, request, contract_version))
        record_event(connection, "load", ", ".join(f"load {record.load_id}" for record in records))
    return records


def _load_one(connection: Connection, validated: Sorted, request: str, contract_version: str) -> LoadRecord:
    delivery = validated.delivery
    load_id: int = connection.value("select coalesce(max(load_id), 0) + 1 from loads")
    values = [
        load_id,
        delivery.practice,
        delivery.layout,
        main_table(delivery),
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
    ]
    connection.execute(f"insert into loads values ({', '.join('?' * len(values))})", values)
    numbers = _register_cases(connection, validated, delivery.practice)
    replaced = {
        table: _load_table(connection, validated, table, load_id, numbers)
        for table in _ORDER
        if table in validated.good
    }
    _keep_reasons(connection, "turned_away", validated.turned_away, load_id)
    _keep_reasons(connection, "remarks", validated.remarks, load_id)
    return LoadRecord(
        load_id=load_id,
        source=said_name(delivery.source),
        table=main_table(delivery),
        n_read=delivery.n_read,
        n_loaded=validated.n_good,
        n_turned_away=validated.n_turned_away,
        n_remarks=validated.remarks.height,
        n_replaced=replaced.get(main_table(delivery), sum(replaced.values())),
    )


def _register_cases(connection: Connection, validated: Sorted, practice: str) -> pl.DataFrame:
    """Give every case of the load a number; a case keeps the number it has.

    Gives case_no by case_id; for a file of one row a case also by row, which is the quicker way to its other tables.
    """
    cases = validated.good.get("cases")
    if cases is None:
        named = pl.concat([frame["case_id"] for frame in validated.good.values()])
        return _known_numbers(connection, named.unique())
    listed = cases.select("row", "case_id")  # validation turned every double away, so each case stands once
    known = _known_numbers(connection, listed["case_id"])
    fresh = listed.join(known, on="case_id", how="anti") if known.height else listed
    last = connection.value("select coalesce(max(case_no), 0) from case_registry")
    numbered = fresh.with_columns(pl.int_range(last + 1, last + fresh.height + 1, dtype=pl.Int32).alias("case_no"))
    with connection.given_whole(fresh_cases=numbered.select("case_no", "case_id")):
        connection.execute(_sql("cases_registered"), [practice])
    if known.is_empty():
        return numbered
    return pl.concat([numbered, listed.join(known, on="case_id", how="inner").select(numbered.columns)])


def _known_numbers(connection: Connection, keys: pl.Series) -> pl.DataFrame:
    """Numbers of the cases that the registry knows already."""
    if not connection.value("select count(*) from (select 1 from case_registry limit 1)"):
        return pl.DataFrame(schema={"case_id": pl.String, "case_no": pl.Int32})
    with connection.given(wanted=keys.to_frame("case_id")):
        return connection.frame(_sql("cases_numbered"))


def _load_table(connection: Connection, validated: Sorted, table: str, load_id: int, numbers: pl.DataFrame) -> int:
    """Insert a table's good rows; earlier rows of the same key are marked as replaced. Gives how many were."""
    frame = validated.good[table]
    if frame.is_empty():
        return 0
    if table == "readings":
        _add_measure_columns(connection, frame)
    by_row = validated.delivery.layout == "wide" and "row" in numbers.columns
    numbered = (_numbered_by_row if by_row else _numbered_by_key)(frame, numbers).rename({"row": "row_no"})
    if n_lost := numbered["case_no"].null_count():
        found = f"{n_lost} rows of {table} belong to no case of the warehouse"
        raise BrokenRuleError(found, expected="the rule on rows without a case to turn them away")
    columns = _filled_columns(numbered)
    with connection.given_whole(incoming=numbered.select("case_no", *columns)):
        source, replaced = "incoming", 0
        if connection.value(f"select count(*) from (select 1 from {table} where replaced_by is null limit 1)"):
            connection.execute("create or replace temp table numbered as select * from incoming")
            replaced = _replace(connection, validated, table, load_id, columns)
            source = "numbered"
        listed = ", ".join(name(column) for column in columns)
        connection.execute(_sql("rows_inserted", table=table, load_id=str(load_id), columns=listed, source=source))
        connection.execute("drop table if exists numbered")
    return replaced


def _numbered_by_key(frame: pl.DataFrame, numbers: pl.DataFrame) -> pl.DataFrame:
    """The rows with the number of their case, null where it has none, in place of its key."""
    listed = numbers.select("case_id", "case_no")
    return frame.join(listed, on="case_id", how="left", maintain_order="left").drop("case_id")


def _numbered_by_row(frame: pl.DataFrame, numbers: pl.DataFrame) -> pl.DataFrame:
    """The same where a row of the file is a case: looked up by place, which needs no join."""
    highest = max(int(column.max() or 0) for column in (frame["row"].to_numpy(), numbers["row"].to_numpy()))
    by_row = np.zeros(highest + 1, dtype=np.int32)
    by_row[numbers["row"].to_numpy()] = numbers["case_no"].to_numpy()
    found = pl.Series("case_no", by_row[frame["row"].to_numpy()])
    return frame.drop("case_id").with_columns(found.replace(0, None) if (found == 0).any() else found)


def _filled_columns(numbered: pl.DataFrame) -> list[str]:
    """Columns that hold anything at all: an export seldom fills every column, and an empty one need not travel."""
    return [
        column for column in numbered.columns if column != "case_no" and numbered[column].null_count() < numbered.height
    ]


def _add_measure_columns(connection: Connection, frame: pl.DataFrame) -> None:
    present = set(reading_columns(connection))
    for column in frame.columns:
        if column not in present and column not in (*READING_KEYS, "row", "case_id"):
            connection.execute(f"alter table readings add column {name(column)} double")


def _replace(connection: Connection, validated: Sorted, table: str, load_id: int, columns: list[str]) -> int:
    """Mark what the load replaces.

    A file of one row a case states the whole case: its earlier phases, visits and readings from such a file go too.
    A reading from another kind of file keeps the measures the new one does not speak of; a reading made from points
    keeps the values that were typed in.
    """
    if table == "readings":
        _carry_over(connection, validated, columns)
    connection.execute(_sql("rows_outdated", table=table, same_key=_same_key(table)))
    if validated.delivery.layout == "wide" and table != "cases":
        connection.execute(_sql("rows_outdated_of_case", table=table))
    connection.execute(_sql("rows_replaced", table=table, load_id=str(load_id)))
    replaced: int = connection.value("select count(*) from outdated")
    connection.execute("drop table outdated")
    return replaced


def _carry_over(connection: Connection, validated: Sorted, columns: list[str]) -> None:
    """Fill measures the new reading does not have from the reading it replaces (other files of the same reading).

    Of readings made from points, what was made from earlier points does not stay: the new points speak of all of it.
    """
    other = "and loads.layout <> 'wide'" if validated.delivery.layout == "wide" else ""
    stored = reading_columns(connection)
    for column in stored:
        if column not in columns:
            connection.execute(f"alter table numbered add column {name(column)} double")
            columns.append(column)
    if "computed" not in columns:
        connection.execute("alter table numbered add column computed varchar")
        columns.append("computed")
    if not stored:
        return
    traced = validated.delivery.layout == "points"
    filled = [f"{name(column)} = {_kept(column, traced=traced)}" for column in stored]
    listed = "numbered.computed" if traced else _still_computed(stored)
    parts = {"computed": listed, "values": ", ".join(filled), "of_files": other, "same_key": _same_key("readings")}
    connection.execute(_sql("values_carried_over", **parts))


def _sql(file: str, **parts: str) -> str:
    return statement("pipelines.ingest", f"{file}.sql", **parts)


def _same_key(table: str) -> str:
    return " and ".join(f"numbered.{column} = {table}.{column}" for column in KEYS[table])


def _was_computed(column: str) -> str:
    return f"(' ' || coalesce(readings.computed, '') || ' ' like '% {name(column)} %')"


def _kept(column: str, *, traced: bool) -> str:
    """The new value, else the earlier one; in a reading made from points, only if that was typed in."""
    earlier = (
        f"case when not {_was_computed(column)} then readings.{name(column)} end" if traced else f"readings.{column}"
    )
    return f"coalesce(numbered.{column}, {earlier})"


def _still_computed(stored: Sequence[str]) -> str:
    """The list of computed measures of the earlier reading, less those given anew."""
    parts = [f"case when numbered.{name(c)} is null and {_was_computed(c)} then {text(c)} end" for c in stored]
    return f"nullif(concat_ws(' ', {', '.join(parts)}), '')"


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
