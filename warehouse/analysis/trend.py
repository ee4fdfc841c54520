"""Does the share adverse rise or fall over ordered groups? The Cochran-Armitage test with its slope.

The estimand is the change in the share adverse per unit of score, along the straight line fitted through the groups'
shares. A flat line does not mean equal shares: the departure from the line is tested beside it. Bands of a measured
quantity such as age lose information; see :mod:`warehouse.analysis.age_curve` for the unbanded picture.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from typing import Final

import numpy as np

from warehouse.analysis.inputs import check_counts, check_length, normal_p_value, z_value
from warehouse.analysis.spline import FloatArray
from warehouse.analysis.stratified import chi_squared_p
from warehouse.errors import RequestError
from warehouse.results import Caution, Estimate, Interval, no_estimate

ESTIMAND: Final = "change in the share adverse per unit of score"
METHOD: Final = "Cochran-Armitage test, least-squares slope with Wald interval"


@dataclass(frozen=True, slots=True, kw_only=True)
class TrendTest:
    """A trend over ordered groups."""

    slope: Estimate  # The slope, its interval and the two-sided p value of the test
    statistic: float | None = None  # Cochran-Armitage chi-squared (1 df), N r squared; None when it cannot be computed
    mantel_statistic: float | None = None  # The linear-by-linear form (N - 1) r squared, which some books print
    mantel_p_value: float | None = None
    # Chi-squared of the groups about the line, on `departure_df` degrees of freedom
    departure_statistic: float | None = None
    departure_df: int  # Groups minus two
    departure_p_value: float | None = None  # Small where the shares do not follow a straight line; None with two groups


def _checked(
    events: Sequence[int], totals: Sequence[int], scores: Sequence[float]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    check_length(len(totals), len(events), what="the list of group sizes")
    check_length(len(scores), len(events), what="the list of scores")
    for x, n in zip(events, totals, strict=True):
        check_counts(x, n, where="a group of the trend")
    if not np.isfinite(np.asarray(scores, dtype=np.float64)).all():
        found = "a score that is not a number"
        raise RequestError(found, expected="one finite number a group, such as the middle of its age band")
    table = np.array([events, totals, scores], dtype=np.float64)
    x, n, s = table[:, table[1] > 0.0]
    return x, n, s


def _impossible(x: FloatArray, n: FloatArray, s: FloatArray) -> Caution | None:
    """Why no trend can be tested, in words; empty when one can."""
    if np.unique(s).size < 2:
        return Caution("no_data", "few_groups_for_trend")
    if x.sum() in {0.0, n.sum()}:
        return Caution("no_data", "all_alike_no_trend")
    return None


def cochran_armitage(
    events: Sequence[int], totals: Sequence[int], *, scores: Sequence[float] | None = None, level: float = 0.95
) -> TrendTest:
    """Test for a linear trend in shares over ordered groups.

    ``events``: adverse cases in each group, shape ``(k,)``. ``totals``: assessed cases in each group, shape ``(k,)``;
    empty groups are passed over. ``scores``: the groups' positions, such as mid-ages; None is 0, 1, 2 ... The result
    depends on them. ``level``: nominal coverage of the slope's interval. Gives the test. With one group, equal scores
    or all cases alike its values are None and the slope's warning says why. With two groups the statistic equals
    Pearson's chi-squared without correction. Raises RequestError where lengths differ or a pair is not a count of
    cases.

    Source: Cochran 1954, Biometrics 10:417; Armitage 1955, Biometrics 11:375; Mantel 1963, JASA 58:690.
    """
    z_value(level)
    x, n, s = _checked(events, totals, range(len(events)) if scores is None else scores)
    reason = _impossible(x, n, s)
    return _no_trend(x, n, reason) if reason else _trend(x, n, s, level)


def _no_trend(x: FloatArray, n: FloatArray, reason: Caution) -> TrendTest:
    return TrendTest(
        slope=no_estimate(estimand=ESTIMAND, method=METHOD, n=int(n.sum()), reason=reason),
        departure_df=max(0, x.size - 2),
    )


def _trend(x: FloatArray, n: FloatArray, s: FloatArray, level: float) -> TrendTest:
    share, total = x / n, float(n.sum())
    pooled, centred = float(x.sum()) / total, s - float(n @ s) / total
    spread, unit = float(n @ centred**2), pooled * (1.0 - pooled)
    slope = float((n * centred) @ (share - pooled)) / spread
    statistic, overall = slope**2 * spread / unit, float(n @ (share - pooled) ** 2) / unit
    mantel, df, departure = statistic * (total - 1.0) / total, x.size - 2, max(0.0, overall - statistic)
    half = z_value(level) * sqrt(float((n * share * (1.0 - share)) @ centred**2)) / spread
    estimate = Estimate(
        estimand=ESTIMAND,
        value=slope,
        interval=Interval(slope - half, slope + half, level),
        method=METHOD,
        n=int(total),
        p_value=normal_p_value(sqrt(statistic)),
        unit="proportion per unit of score",
        warnings=_cautions(x, n),
    )
    return TrendTest(
        slope=estimate,
        statistic=statistic,
        mantel_statistic=mantel,
        mantel_p_value=normal_p_value(sqrt(mantel)),
        departure_statistic=departure if df else None,
        departure_df=df,
        departure_p_value=chi_squared_p(departure, df) if df else None,
    )


def _cautions(x: FloatArray, n: FloatArray) -> tuple[Caution, ...]:
    expected = min(float(x.sum()), float((n - x).sum()))
    if expected >= 5.0:
        return ()
    return (Caution("small_sample", "few_outcomes_for_trend"),)
