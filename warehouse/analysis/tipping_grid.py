"""How far a difference between two groups depends on what their missing cases hold.

No model: every pair of answers is tried, from none of the missing adverse to all of them, in both groups.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl

from warehouse.analysis.inputs import check_counts, z_value
from warehouse.analysis.spline import FloatArray
from warehouse.results import Caution

FIRST_HIGHER, SECOND_HIGHER, NOT_APART, NOTHING = "first higher", "second higher", "not told apart", "nothing"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TippingGrid:
    """A difference of two shares, whatever the missing cases of both groups hold."""

    # One row a scenario: `adverse_first`, `adverse_second` (among the missing), `difference`, `low`, `high`,
    # `message` (`first higher`, `second higher` or `not told apart`)
    grid: pl.DataFrame
    message: str  # The message of the assessed cases; `nothing` if a group has none
    # The scenario in which the missing of each group are like its assessed, rounded
    like_assessed: tuple[int, int] | None = None
    # The scenario on the grid with another message that asks the least: fewest missing cases moved away from
    # `like_assessed` (ties: fewest adverse in the first group); None if the message always holds
    nearest_change: tuple[int, int] | None = None
    share_holding: float | None = None  # Share of the grid's scenarios in which the message holds; None with `nothing`
    missing: tuple[int, int]  # Missing cases of the two groups
    warnings: tuple[Caution, ...]  # Cautions


def tipping_grid(
    first: tuple[int, int, int], second: tuple[int, int, int], *, level: float = 0.95, most_steps: int = 41
) -> TippingGrid:
    """The difference of two shares over all that the missing of both groups may hold.

    Method: Newcombe's interval of the difference for every pair of adverse counts among the missing of the two groups;
    the message is the sign of an interval that leaves out zero.

    ``first``: adverse, assessed and missing cases of the first group. ``second``: the same of the second.
    ``most_steps``: scenarios for each group at most, evenly spread from none to all of its missing. Raises RequestError
    where the counts are not counts.

    Source: Newcombe 1998, Stat Med 17:873, method 10 (interval); Liublinska & Rubin 2014, Stat Med 33:4170 (grid).
    """
    for (adverse, assessed, missing), where in ((first, "first group"), (second, "second group")):
        check_counts(adverse, assessed, where=where)
        check_counts(0, missing, where=where)
    if first[1] == 0 or second[1] == 0:
        return _no_grid((first[2], second[2]))
    now = _newcombe(_one(first[0]), _one(first[1]), _one(second[0]), _one(second[1]), level)
    message = str(_sign(now[1], now[2])[0])
    grid = _grid(first, second, level, most_steps)
    start = (round(first[2] * first[0] / first[1]), round(second[2] * second[0] / second[1]))
    nearest = _nearest(grid, message, start)
    return TippingGrid(
        grid=grid,
        message=message,
        like_assessed=start,
        nearest_change=nearest,
        share_holding=int((grid["message"] == message).sum()) / grid.height,
        missing=(first[2], second[2]),
        warnings=(),
    )


def _newcombe(
    x1: FloatArray, n1: FloatArray, x2: FloatArray, n2: FloatArray, level: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Difference of shares with Newcombe's limits, entry by entry."""
    z = z_value(level)
    parts = []
    for x, n in ((x1, n1), (x2, n2)):
        p = x / n
        half = z * np.sqrt(p * (1.0 - p) / n + z * z / (4.0 * n * n))
        centre, scale = p + z * z / (2.0 * n), 1.0 + z * z / n
        parts.append((p, (centre - half) / scale, (centre + half) / scale))
    (p, low_p, high_p), (q, low_q, high_q) = parts
    gap = p - q
    return gap, gap - np.hypot(p - low_p, high_q - q), gap + np.hypot(high_p - p, q - low_q)


def _one(count: int) -> FloatArray:
    return np.array([float(count)])


def _sign(low: FloatArray, high: FloatArray) -> FloatArray:
    return np.where(low > 0.0, FIRST_HIGHER, np.where(high < 0.0, SECOND_HIGHER, NOT_APART))


def _grid(first: tuple[int, int, int], second: tuple[int, int, int], level: float, most_steps: int) -> pl.DataFrame:
    steps = [np.unique(np.linspace(0, group[2], min(most_steps, group[2] + 1)).round()) for group in (first, second)]
    k1, k2 = (axis.ravel() for axis in np.meshgrid(*steps, indexing="ij"))
    n1, n2 = (np.full(k1.size, float(group[1] + group[2])) for group in (first, second))
    gap, low, high = _newcombe(first[0] + k1, n1, second[0] + k2, n2, level)
    return pl.DataFrame(
        {
            "adverse_first": k1.astype(np.int64),
            "adverse_second": k2.astype(np.int64),
            "difference": gap,
            "low": low,
            "high": high,
            "message": _sign(low, high),
        }
    )


def _nearest(grid: pl.DataFrame, message: str, start: tuple[int, int]) -> tuple[int, int] | None:
    moved = (pl.col("adverse_first") - start[0]).abs() + (pl.col("adverse_second") - start[1]).abs()
    others = grid.filter(pl.col("message") != message).sort(moved, "adverse_first")
    if others.is_empty():
        return None
    return int(others["adverse_first"][0]), int(others["adverse_second"][0])


def _no_grid(missing: tuple[int, int]) -> TippingGrid:
    number, count = pl.Float64, pl.Int64
    schema = {"adverse_first": count, "adverse_second": count, "difference": number, "low": number, "high": number}
    return TippingGrid(
        grid=pl.DataFrame(schema=schema | {"message": pl.String}),
        message=NOTHING,
        missing=missing,
        warnings=(Caution("no_data", "no_message_of_pair"),),
    )
