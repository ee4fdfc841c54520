"""Parting the rows of a delivery into those to load and those turned away."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl

from pipelines.checking.tables import Assembled, Mask, main_table
from pipelines.contract.delivery import PROBLEM_COLUMNS, Delivery, Sorted
from pipelines.points.tracing import POINTS, without_points_turned_away
from warehouse.errors import BrokenRuleError


def sort_delivery(
    delivery: Delivery, file: int, found: pl.DataFrame, *, rejecting: Sequence[str], assembled: Assembled
) -> Sorted:
    """The rows of one delivery, parted.

    A row of a file of one row a case goes or stays with everything made from it; a row of any other file by itself. A
    point that goes takes along the values made from it.

    ``delivery``: The delivery. ``file``: Its number in the load. ``found``: Findings on all files of the load.
    ``rejecting``: Ids of the rules that turn a row away. ``assembled``: The tables of the load, for the readings put
    together from single values.

    Raises:
        BrokenRuleError: Rows read are not rows good plus rows turned away.
    """
    mine = found.filter(pl.col("file") == file).sort("row", "rule", "column", maintain_order=True)
    turned = mine.filter(pl.col("rule").is_in(rejecting))["row"].unique()
    if "measurements" in delivery.tables:
        good = {"readings": _good_readings(file, turned, assembled)}
        n_good = sum(
            good["readings"][name].count() for name in good["readings"].columns if name in assembled.value_rows
        )
    else:
        good = dict(delivery.tables)
        if len(turned):
            good = {table: frame.filter(_stays(frame["row"], turned)) for table, frame in good.items()}
        n_good = good[main_table(delivery)].height
        if POINTS in good and "readings" in good:
            good["readings"] = without_points_turned_away(delivery, good[POINTS], turned, assembled.tables.measures)
    listed = mine.select(*PROBLEM_COLUMNS, "case_id")
    away = mine["row"].is_in(turned.implode())
    validated = Sorted(
        delivery=delivery,
        good=good,
        turned_away=listed.filter(away),
        remarks=listed.filter(~away),
        n_good=n_good,
        n_turned_away=len(turned),
    )
    _refuse_open_sum(validated)
    return validated


def _stays(rows: pl.Series, turned: pl.Series) -> pl.Series:
    """Whether each row is not among those turned away; shape (rows,)."""
    return pl.Series(_marked(turned, highest=rows)[rows.to_numpy()])


def _marked(turned: pl.Series, *, highest: pl.Series) -> Mask:
    """Row number -> whether it stays."""
    marked = np.ones(max(_top(turned), _top(highest)) + 1, dtype=np.bool_)
    marked[turned.to_numpy()] = False
    return marked


def _top(rows: pl.Series) -> int:
    top = rows.max()
    return top if isinstance(top, int) else 0


def _good_readings(file: int, turned: pl.Series, assembled: Assembled) -> pl.DataFrame:
    """The readings of a file of single values without the values of the rows turned away.

    ``row`` is the first row that is left of a reading; a measure or reading of which nothing is left goes.
    """
    readings = assembled.tables["readings"]
    place = ((readings["file"] == file) & ~pl.Series(assembled.tables.wide[readings["file"].to_numpy()])).to_numpy()
    mine = readings.filter(pl.Series(place))
    first = np.full(mine.height, np.iinfo(np.uint32).max, dtype=np.uint32)
    values: list[pl.Series] = []
    for code, all_rows in assembled.value_rows.items():
        rows = all_rows[place]
        left = (rows > 0) & _marked(turned, highest=pl.Series(rows))[rows]
        if left.any():
            first = np.where(left, np.minimum(first, rows), first)
            values.append(pl.select(pl.when(pl.Series(left)).then(mine[code]).alias(code))[code])
    kept = pl.DataFrame(
        [pl.Series("row", first), *(mine[n] for n in ("case_id", "timepoint", "examiner", "repeat_no"))]
    )
    return kept.with_columns(values).filter(pl.col("row") < np.iinfo(np.uint32).max)


def _refuse_open_sum(validated: Sorted) -> None:
    delivery = validated.delivery
    if delivery.n_read == validated.n_good + validated.n_turned_away:
        return
    found = (
        f"{delivery.n_read} rows were read, but {validated.n_good} are good and "
        f"{validated.n_turned_away} were turned away."
    )
    raise BrokenRuleError(found, where=delivery.source.name, expected="rows read = rows good + rows turned away")
