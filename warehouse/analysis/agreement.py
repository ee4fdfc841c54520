"""Agreement of two ways of measuring the same records: bias and limits of agreement (Bland and Altman).

Whether limits are narrow enough is a judgement about use, not a test. A correlation is given because it is often asked
for; it measures association, not agreement.
Source: Bland & Altman 1986, Lancet i:307; 1999, Stat Methods Med Res 8:135.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from typing import TYPE_CHECKING, Literal

import numpy as np

from warehouse.analysis.inputs import check_method
from warehouse.analysis.method_error import complete_pairs, few_pairs_cautions, systematic_bias
from warehouse.results import Estimate, Interval, no_estimate

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from warehouse.analysis.method_error import Pairs

LimitError = Literal["1999", "1986"]


@dataclass(frozen=True, slots=True, kw_only=True)
class BlandAltman:
    """Bias and limits of agreement."""

    bias: Estimate  # Mean difference, first method minus second, with paired t interval and p value
    sd: float | None  # Standard deviation of the differences; None with fewer than two pairs
    lower: Estimate  # Lower limit, bias - multiplier * SD, with its interval
    upper: Estimate  # Upper limit, bias + multiplier * SD, with its interval
    multiplier: float  # 1.96 unless asked otherwise (the paper of 1986 used 2)
    correlation: float | None  # Pearson's r of the two methods; None when one does not vary
    n: int  # Pairs used
    left_out: int  # Pairs with a missing reading


def _limit(pairs: Pairs, side: float, multiplier: float, level: float, variance_factor: float) -> Estimate:
    from scipy.special import stdtrit

    name = "lower" if side < 0.0 else "upper"
    estimand, method = f"{name} limit of agreement", f"bias {'-' if side < 0.0 else '+'} {multiplier:g} SD, t interval"
    if pairs.n < 2:
        reason = "Fewer than two records were measured both ways, so limits of agreement cannot be given."
        return no_estimate(estimand=estimand, method=method, n=pairs.n, reason=reason, unit="unit of the readings")
    sd = float(pairs.difference.std(ddof=1))
    value = float(pairs.difference.mean()) + side * multiplier * sd
    half = float(stdtrit(pairs.n - 1, 0.5 + level / 2.0)) * sd * sqrt(variance_factor)
    return Estimate(
        estimand=estimand,
        value=value,
        interval=Interval(value - half, value + half, level),
        method=method,
        n=pairs.n,
        left_out=pairs.left_out,
        unit="unit of the readings",
        warnings=few_pairs_cautions(pairs.n),
    )


def _correlation(pairs: Pairs) -> float | None:
    if pairs.n < 2 or np.ptp(pairs.first) == 0.0 or np.ptp(pairs.second) == 0.0:
        return None
    return float(np.corrcoef(pairs.first, pairs.second)[0, 1])


def bland_altman(
    first: ArrayLike,
    second: ArrayLike,
    *,
    multiplier: float = 1.96,
    level: float = 0.95,
    limit_error: LimitError = "1999",
) -> BlandAltman:
    """Bias and limits of agreement of two methods on the same records.

    ``first``: readings by the first method, shape ``(n,)``. ``second``: readings by the second method, shape ``(n,)``.
    ``multiplier``: standard deviations from bias to limit; 2 reproduces the paper of 1986. ``level``: coverage of the
    intervals of bias and limits. ``limit_error``: variance of a limit in units of SD squared: ``1999``: 1/n +
    multiplier^2 / (2 (n - 1)); ``1986``: 3/n. Gives the agreement. Differences are taken as normal with one spread at
    all sizes. Values are None, with the reason, below two pairs.
    """
    check_method(limit_error, ("1999", "1986"))
    bias = systematic_bias(first, second, level=level)
    pairs = complete_pairs(first, second)
    n = max(2, pairs.n)
    factor = 3.0 / n if limit_error == "1986" else 1.0 / n + multiplier**2 / (2.0 * (n - 1))
    return BlandAltman(
        bias=bias,
        sd=float(pairs.difference.std(ddof=1)) if pairs.n > 1 else None,
        lower=_limit(pairs, -1.0, multiplier, level, factor),
        upper=_limit(pairs, 1.0, multiplier, level, factor),
        multiplier=multiplier,
        correlation=_correlation(pairs),
        n=pairs.n,
        left_out=pairs.incomplete,
    )
