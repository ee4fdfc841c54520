"""What a person has to confirm before a file is loaded: a practice not seen before, cases that are there already."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from pipelines.contract.delivery import Sorted
from warehouse.errors import near_names
from warehouse.marts.build import reading_columns
from warehouse.plural import number_of
from warehouse.store.quoting import name, statement
from warehouse.store.storage import Connection

_OF_CASE = ("sex", "age_at_start", "start_quarter", "cvm_stage", "incisor_class", "molar_class")
"""What of a case does not change between two exports."""

_FEWEST = 3
_LEAST_SHARE = 0.2
_LEAST_NUMBERS = 3
"""Age and measures that a case must tell before it can be taken for another; common practice, no source."""


def doubt_of_practice(store: Connection, practice: str) -> str:
    """What is to be confirmed of a practice that the warehouse has not seen; empty where there is nothing."""
    rows = store.rows("select practice, count(*) from case_registry group by practice order by practice")
    sizes = {str(known): int(n) for known, n in rows}
    if not sizes or practice in sizes:
        return ""
    held = ", ".join(f"{known} ({number_of(n, 'case')})" for known, n in sizes.items())
    near = near_names(practice, sizes)
    return f"the practice {practice} is new in this warehouse, which holds {held}" + (f"; {near}" if near else "")


def doubt_of_cases(store: Connection, checked: Sequence[Sorted], practice: str) -> tuple[str, int]:
    """What is to be confirmed of new cases that are like stored ones in everything but number or practice.

    Compared is what was known at the start, so that a later export of the same people is found too.

    Returns: The doubt, empty where there is none, and how many new cases are so.
    """
    cases = [one.good["cases"] for one in checked if "cases" in one.good]
    if not cases or not store.value("select count(*) from (select 1 from cases limit 1)"):
        return "", 0
    delivered = pl.concat(cases, how="diagonal_relaxed")
    fresh = _with_readings(delivered, checked, store)
    columns = [column for column in fresh.columns if column != "case_id" and fresh[column].null_count() < fresh.height]
    numbers = [column for column in columns if column == "age_at_start" or column not in _OF_CASE]
    told = (
        pl.sum_horizontal(pl.col(column).is_not_null().cast(pl.Int32) for column in numbers) if numbers else pl.lit(0)
    )
    fresh = fresh.select("case_id", *columns).filter(told >= _LEAST_NUMBERS)
    if fresh.is_empty():
        return "", 0
    parts = {
        "stored": ", ".join(map(_stored, columns)),
        "columns": ", ".join(columns),
        "same": " and ".join(f"stored.{column} is not distinct from alike.{column}" for column in columns),
    }
    with store.given(delivered=delivered.select("case_id")):
        known = store.frame("select case_key from case_registry where case_key in (select case_id from delivered)")
    fresh = fresh.join(known, left_on="case_id", right_on="case_key", how="anti")
    with store.given(fresh=fresh, delivered=delivered.select("case_id")):
        same = store.frame(statement("pipelines.ingest", "same_cases.sql", **parts))
    n_new = delivered["case_id"].n_unique() - known.height
    if same.height < max(_FEWEST, _LEAST_SHARE * n_new):
        return "", same.height
    held = same["practice"].value_counts(name="n", sort=True)
    of = ", ".join(f"{other} ({n})" for other, n in held.iter_rows())
    what = "under other numbers" if held["practice"].to_list() == [practice] else "under other numbers or practices"
    return f"{same.height} of {number_of(n_new, 'new case')} are the same as cases of {of} {what}", same.height


def _stored(column: str) -> str:
    if column == "age_at_start":
        return "cases.age_at_start"
    return f"cast(cases.{name(column)} as varchar) as {column}" if column in _OF_CASE else f"readings.{name(column)}"


def _with_readings(delivered: pl.DataFrame, checked: Sequence[Sorted], store: Connection) -> pl.DataFrame:
    """Of each case what does not change, with its first reading of the start; measures the store has alone."""
    frame = delivered.select("case_id", *(column for column in _OF_CASE if column in delivered.columns))
    frame = frame.unique("case_id", keep="first", maintain_order=True)
    listed = [one.good["readings"] for one in checked if "readings" in one.good]
    if not listed:
        return frame
    readings = pl.concat(listed, how="diagonal_relaxed").filter(timepoint="start", repeat_no=1)
    kept = [column for column in reading_columns(store) if column in readings.columns]
    readings = readings.select("case_id", *kept).unique("case_id", keep="first", maintain_order=True)
    return frame.join(readings, on="case_id", how="left", maintain_order="left")
