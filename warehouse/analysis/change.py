"""How much faces changed: mean, median and the whole picture of a measure's change.

There is no regression of change on the value at the start here, and none should be added: the start is part of the
change (change = finish - start), so the two correlate negatively by arithmetic and method error alone, whatever the
appliance did (regression to the mean). Groups that start differently are compared by analysis of covariance.
"""

from collections.abc import Mapping, Sequence

import numpy as np
import polars as pl

from warehouse.analysis.design import numbers, require_column
from warehouse.analysis.inputs import check_level
from warehouse.analysis.spline import FloatArray
from warehouse.results import Caution, Estimate, Interval, no_estimate

DECILES = tuple(step / 10 for step in range(1, 10))


def mean_change(changes: FloatArray, *, unit: str, level: float = 0.95) -> Estimate:
    """Mean change with Student's interval and the paired t test of no change.

    Estimand: mean of finish minus start in cases like these. Formula: m +- t(n - 1) s / sqrt(n). Assumes independent
    cases; the mean must be about normal, which outliers in a small group prevent: look at the median too.

    ``changes``: finish minus start, shape ``(n,)``; entries that are not finite are left out and counted. Gives the
    estimate; without a case its value is None, with one case or no spread it has no interval.

    Source: Student 1908, Biometrika 6:1.
    """
    check_level(level)
    known, left_out = _known(changes)
    method = "mean with Student's t interval and paired t test"
    if known.size == 0:
        return no_estimate(
            estimand="mean change", method=method, n=0, reason=Caution("no_data", "no_case_both_times"), unit=unit
        )
    mean = float(known.mean())
    error = float(known.std(ddof=1) / np.sqrt(known.size)) if np.ptp(known) > 0.0 else 0.0
    interval, p_value = student(mean, error, known.size - 1, level)
    return Estimate(
        estimand="mean change",
        value=mean,
        interval=interval,
        method=method,
        n=known.size,
        left_out=left_out,
        p_value=p_value,
        unit=unit,
        warnings=() if interval else (_no_spread(known.size),),
    )


def median_change(changes: FloatArray, *, unit: str, level: float = 0.95) -> Estimate:
    """Median change with the exact interval of :func:`quantile_change`, which needs six cases at 95%.

    Source: Conover 1999, Practical Nonparametric Statistics, 3rd ed., section 3.2 (from memory).
    """
    return quantile_change(changes, 0.5, unit=unit, level=level, estimand="median change")


def quantile_change(
    changes: FloatArray, share: float, *, unit: str, level: float = 0.95, estimand: str = ""
) -> Estimate:
    """A quantile of the change with its exact order-statistic interval.

    ``changes``: finish minus start, shape ``(n,)``; entries that are not finite are left out and counted. ``level``:
    nominal coverage, reached at least. Gives the estimate; value by linear interpolation (Hyndman & Fan 1996, type 7).
    The interval is from order statistic l to u, with l the (1 - level)/2 and u - 1 the (1 + level)/2 quantile of
    binomial(n, share).
    """
    check_level(level)
    known, left_out = _known(changes)
    name = estimand or f"{100 * share:g}% quantile of change"
    method = "quantile with exact order-statistic interval"
    if known.size == 0:
        return no_estimate(
            estimand=name, method=method, n=0, reason=Caution("no_data", "no_case_both_times"), unit=unit
        )
    ordered = np.sort(known)
    interval = _order_statistic_interval(ordered, share, level)
    return Estimate(
        estimand=name,
        value=float(np.quantile(ordered, share)),
        interval=interval,
        method=method,
        n=known.size,
        left_out=left_out,
        unit=unit,
        warnings=() if interval else (Caution("small_sample", "too_few_for_quantile", {"n": known.size}),),
    )


def quantile_picture(
    frame: pl.DataFrame, *, change: str, group: str, shares: Sequence[float] = DECILES, level: float = 0.95
) -> pl.DataFrame:
    """Deciles of the change in every group, for the picture beside any share adverse.

    A threshold throws away how far each case lies from it; these rows show it.

    ``group``: the column of groups, compared as text. ``level``: nominal coverage of each interval by itself. Gives one
    row a group and quantile, in alphabetical order of groups: ``group``, ``share``, ``value``, ``low``, ``high`` (null
    where there are too few cases), ``n``. Raises RequestError where a column does not exist or the change is text.
    """
    for name in (change, group):
        require_column(frame, name)
    belongs = frame[group].cast(pl.String)
    values = numbers(frame[change])
    schema = dict.fromkeys(("share", "value", "low", "high"), pl.Float64)
    rows = [
        {"group": label, "share": share} | _picture_cell(quantile_change(part, share, unit="", level=level))
        for label in sorted(belongs.drop_nulls().unique().to_list())
        for part in (values[(belongs == label).fill_null(value=False).to_numpy()],)
        for share in shares
    ]
    return pl.DataFrame(rows, schema={"group": pl.String} | schema | {"n": pl.Int64})


def _picture_cell(found: Estimate) -> dict[str, float | int | None]:
    interval = found.interval
    return {
        "value": found.value,
        "low": interval.low if interval else None,
        "high": interval.high if interval else None,
        "n": found.n,
    }


def _known(changes: FloatArray) -> tuple[FloatArray, Mapping[str, int]]:
    finite = np.isfinite(changes)
    missing = int((~finite).sum())
    return changes[finite], {"change missing": missing} if missing else {}


def student(mean: float, error: float, df: int, level: float) -> tuple[Interval | None, float | None]:
    """Student's interval and the two-sided p value of zero; None without degrees of freedom or error."""
    from scipy.special import stdtr, stdtrit

    if df < 1 or error == 0.0:
        return None, None
    half = float(stdtrit(df, 0.5 + level / 2.0)) * error
    return Interval(mean - half, mean + half, level), float(2.0 * stdtr(df, -abs(mean / error)))


def _no_spread(n: int) -> Caution:
    if n == 1:
        return Caution("small_sample", "one_change_only")
    return Caution("small_sample", "all_changes_same")


def _order_statistic_interval(ordered: FloatArray, share: float, level: float) -> Interval | None:
    from scipy.stats import binom

    n = ordered.size
    lower = int(binom.ppf((1.0 - level) / 2.0, n, share))
    upper = int(binom.ppf((1.0 + level) / 2.0, n, share)) + 1
    if lower < 1 or upper > n:
        return None
    return Interval(float(ordered[lower - 1]), float(ordered[upper - 1]), level)
