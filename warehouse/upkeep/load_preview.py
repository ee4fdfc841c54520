"""What a load has kept: counts, the rows as they are kept, what was turned away. For a look before the real load."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from warehouse.selection import Selection
from warehouse.store.quoting import statement
from warehouse.upkeep.data_quality import DataQuality, Load, RuleCount, data_quality

if TYPE_CHECKING:
    import polars as pl

    from warehouse.marts.reader import Reader

SHOWN_CASES = 15


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
    quality = data_quality(reader, selection=Selection(selection="both"))
    loads = tuple(load for load in quality.loads if load.load_id > after)
    numbers = [load.load_id for load in loads]
    return LoadPreview(
        loads=loads,
        turned_away=_of_these(reader, quality, "mart_turned_away", numbers),
        remarks=_of_these(reader, quality, "mart_remarks", numbers),
        n_cases=int(reader.connection.value("select count(*) from mart_cases where load_id > ?", [after])),
        cases=reader.connection.frame(
            statement("warehouse.upkeep", "cases_of_loads.sql", most=str(SHOWN_CASES)), [after]
        ),
        measures=_measures(reader, after),
    )


def _of_these(reader: Reader, quality: DataQuality, table: str, loads: list[int]) -> tuple[RuleCount, ...]:
    """The rules that met rows of these loads, with their counts in these loads alone."""
    if not loads:
        return ()
    marks = ", ".join("?" for _ in loads)
    rows = reader.connection.rows(
        f"select rule, count(distinct (load_id, table_name, row_no)) from {table} where load_id in ({marks})"
        " group by 1",
        loads,
    )
    counts = dict(rows)
    known = quality.turned_away if table == "mart_turned_away" else quality.remarks
    return tuple(
        RuleCount(one.rule, one.reason, one.remedy, counts[one.rule], one.columns)
        for one in known
        if one.rule in counts
    )


def _measures(reader: Reader, after: int) -> pl.DataFrame:
    frame = reader.connection.frame(
        statement("warehouse.upkeep", "measures_of_loads.sql", most=str(SHOWN_CASES)), [after]
    )
    return frame.select(column for column in frame if column.null_count() < frame.height)
