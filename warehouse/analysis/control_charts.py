"""Charts of a share or a mean over time: the exponentially weighted moving average and the p-chart.

Both compare what is seen with limits fixed from an in-control level; they describe, and a point outside is a reason
to look. Sources: NIST/SEMATECH e-Handbook of Statistical Methods 6.3.2.4 (EWMA) and 6.3.3.2 (p-chart).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import accumulate
from types import MappingProxyType
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from warehouse.analysis.funnel import exact_limit
from warehouse.errors import RequestError
from warehouse.results import Caution

_WIDTH = 3.0  # of the limits, in standard deviations


class ChartPoint(NamedTuple):
    """One point of a chart: its value, its limits and whether it lies outside them."""

    label: str
    value: float | None
    low: float
    high: float
    outside: bool
    n: int


@dataclass(frozen=True, eq=False)
class SinglePoints(Sequence[ChartPoint]):
    """The points of single cases, numbered from 1: kept as columns of shape ``(n,)``, since there may be a million."""

    value: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]
    outside: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.value)

    def __getitem__(self, place: Any) -> Any:  # noqa: ANN401 - one point, or a list of them for a slice
        at = range(len(self))[place]
        if isinstance(at, range):
            return [self[one] for one in at]
        value, low, high = (float(column[at]) for column in (self.value, self.low, self.high))
        return ChartPoint(str(at + 1), value, low, high, bool(self.outside[at]), 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class ControlChart:
    """A chart."""

    points: Sequence[ChartPoint]  # In order of time
    centre: float | None  # In-control level, or None when there is none to be had
    method: str  # Chart and limits by their textbook names
    n: int  # Cases behind all points
    left_out: Mapping[str, int]  # Reason -> number of values not used
    warnings: tuple[Caution, ...]  # Cautions to show with the chart

    @property
    def n_outside(self) -> int:
        """Points outside their limits."""
        points = self.points
        return int(np.sum(points.outside if isinstance(points, SinglePoints) else [one.outside for one in points]))


def ewma(values: Sequence[float | None], *, target: float, sd: float, weight: float = 0.3) -> ControlChart:
    """Exponentially weighted moving average of single values.

    ``E_t = weight * y_t + (1 - weight) * E_(t-1)``, ``E_0 = target``; limits
    ``target +- 3 sd * sqrt(weight / (2 - weight) * (1 - (1 - weight)**(2 t)))``, which widen from the start.

    ``values``: in order of time; None is left out and counted, and the average stays where it was. Shares of single
    cases are 0 and 1 with ``sd = sqrt(target (1 - target))``. ``target``: in-control mean. ``sd``: in-control standard
    deviation of one value, > 0, from earlier cases, not from these. ``weight``: weight of the newest value, in (0, 1].
    """
    if not (sd > 0 and 0 < weight <= 1):
        found = f"A standard deviation of {sd:g} and a weight of {weight:g}."
        raise RequestError(found, expected="sd above 0, weight in (0, 1]", remedy="state other values")
    given = np.array(values, dtype=np.float64)  # None is not a number here
    kept = given[np.isfinite(given)].tolist()
    averages = accumulate(kept, lambda average, value: weight * value + (1 - weight) * average, initial=target)
    average = np.fromiter(averages, dtype=np.float64, count=len(kept) + 1)[1:]
    aged = (1 - weight) ** (2 * np.arange(1, len(kept) + 1))
    half = _WIDTH * sd * np.sqrt(weight / (2 - weight) * (1 - aged))
    dropped = len(values) - len(kept)
    return ControlChart(
        points=SinglePoints(average, target - half, target + half, np.abs(average - target) > half),
        centre=target,
        method=f"EWMA, weight {weight:g}, {_WIDTH:g} standard deviations, exact limits",
        n=len(kept),
        left_out=MappingProxyType({"no value": dropped} if dropped else {}),
        warnings=() if kept else (Caution("no_data", "no_value_to_average"),),
    )


def p_chart(
    events: Sequence[int], totals: Sequence[int], labels: Sequence[str], *, centre: float | None = None
) -> ControlChart:
    """Share with the outcome in successive periods.

    Limits are the interpolated binomial ones of the funnel at the tail probability of three standard deviations: small
    periods call for exact limits.

    ``events``: cases with the outcome a period, shape ``(m,)``. ``totals``: cases assessed a period, shape ``(m,)``; an
    empty period has no value and cannot be outside. ``labels``: names of the periods in order of time. ``centre``:
    in-control share stated beforehand; the pooled share of these periods when not given.
    """
    if not len(events) == len(totals) == len(labels):
        found = "Columns of different length."
        raise RequestError(found, expected="one value a period in every column", remedy="check the input")
    if any(not 0 <= x <= n for x, n in zip(events, totals, strict=True)):
        found = "A period with a count below zero or above its total."
        raise RequestError(found, expected="0 <= count <= total", remedy="check the input")
    cases = sum(totals)
    method = f"p-chart, exact limits at {_WIDTH:g} standard deviations"
    if cases == 0:
        nothing = (Caution("no_data", "none_assessed_in_any_period"),)
        return ControlChart(points=(), centre=None, method=method, n=0, left_out=MappingProxyType({}), warnings=nothing)
    held = sum(events) / cases if centre is None else centre
    points = [_period(label, x, n, held) for label, x, n in zip(labels, events, totals, strict=True)]
    return ControlChart(
        points=tuple(points),
        centre=held,
        method=method,
        n=cases,
        left_out=MappingProxyType({}),
        warnings=_cautions(totals, held, centre),
    )


def _period(label: str, x: int, n: int, centre: float) -> ChartPoint:
    if n == 0:
        return ChartPoint(label, None, 0.0, 1.0, outside=False, n=0)
    low, high = _limits(n, centre)
    share = x / n
    return ChartPoint(label, share, low, high, not low <= share <= high, n)


def _limits(n: int, centre: float) -> tuple[float, float]:
    from scipy.special import ndtr

    if not 0 < centre < 1:
        return centre, centre
    tail = float(ndtr(-_WIDTH))
    low, high = (float(exact_limit(n, centre, p)) for p in (tail, 1 - tail))
    return max(0.0, low), min(1.0, high)


def _cautions(totals: Sequence[int], held: float, centre: float | None) -> tuple[Caution, ...]:
    found = []
    if centre is None:
        found.append(Caution("approximation", "centre_from_periods"))
    if not 0 < held < 1:
        found.append(Caution("no_data", "centre_at_edge"))
    small = sum(1 for n in totals if 0 < n < 10)
    if small:
        found.append(Caution("small_sample", "small_periods", {"n": small}))
    return tuple(found)
