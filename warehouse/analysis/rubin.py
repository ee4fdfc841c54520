"""Rubin's rules: one answer from the answers of several completed data sets.

Own code: statsmodels pools only the models it refits itself and without the small-sample degrees of freedom.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, isinf, sqrt
from typing import TYPE_CHECKING

import numpy as np

from warehouse.analysis.inputs import z_value
from warehouse.errors import RequestError
from warehouse.results import Interval

if TYPE_CHECKING:
    from collections.abc import Sequence

    from warehouse.analysis.spline import FloatArray


_NOTHING = 1e-12  # a share of the variance this small is rounding error


@dataclass(frozen=True, slots=True, kw_only=True)
class ImputedEstimate:
    """A pooled estimate and where its uncertainty comes from."""

    value: float  # Mean of the estimates
    within: float  # Mean of their variances
    between: float  # Variance of the estimates (m - 1)
    total: float  # within + (1 + 1/m) between
    increase: float  # Relative increase of the variance because values are missing
    df: float  # Degrees of freedom; infinite when nothing differs between the sets and no complete-data ones are given
    missing_information: float  # Share of the information that is missing

    def quantile(self, level: float) -> float:
        """Student's quantile for a two-sided interval, the normal one for infinite degrees of freedom."""
        from scipy.special import stdtrit

        return z_value(level) if isinf(self.df) else float(stdtrit(self.df, 0.5 + level / 2.0))

    def interval(self, level: float) -> Interval | None:
        """Value +- t sqrt(total); None without variance or degrees of freedom."""
        if self.total <= 0.0 or self.df <= 0.0:
            return None
        half = self.quantile(level) * sqrt(self.total)
        return Interval(self.value - half, self.value + half, level)

    def share_interval(self, n: int, level: float) -> Interval:
        """Wilson's interval of a share with the variance and degrees of freedom of the imputation.

        It solves (value - p)^2 = t^2 (1 + increase) p (1 - p) / n for p, is Wilson's own with nothing missing, and
        says nothing (0 to 1) where the sets differ but have no variance within.
        Source: Lott & Reiter 2020, Am Stat 74:109 (from memory).
        """
        if isinf(self.increase):
            return Interval(0.0, 1.0, level)
        c = self.quantile(level) ** 2 * (1.0 + self.increase) / n
        centre = (self.value + c / 2.0) / (1.0 + c)
        half = sqrt(max(0.0, c * (self.value * (1.0 - self.value) + c / 4.0))) / (1.0 + c)
        return Interval(max(0.0, centre - half), min(1.0, centre + half), level)


def pool(
    values: Sequence[float] | FloatArray, variances: Sequence[float] | FloatArray, *, complete_df: float | None = None
) -> ImputedEstimate:
    """Pool the estimates of m completed data sets.

    ``values``: the m estimates. ``variances``: their m squared standard errors. ``complete_df``: degrees of freedom the
    analysis would have had with nothing missing; None leaves out the small-sample correction of Barnard and Rubin.
    Raises RequestError where fewer than two estimates, or as many variances are not given.

    Source: Rubin 1987, Multiple Imputation, section 3.1; Barnard & Rubin 1999, Biometrika 86:948.
    """
    m = len(values)
    if m < 2 or len(variances) != m:
        found = f"{m} estimates with {len(variances)} variances cannot be pooled."
        raise RequestError(found, expected="two or more, one variance each", remedy="impute at least twenty times")
    within = float(np.mean(variances))
    between = float(np.var(values, ddof=1)) if np.ptp(values) > 0.0 else 0.0
    added = (1.0 + 1.0 / m) * between
    total = within + added
    share = added / total if total > 0.0 else 0.0
    df = _degrees(share, m, complete_df)
    increase = added / within if within > 0.0 else (inf if added > 0.0 else 0.0)
    correction = 0.0 if isinf(df) else 2.0 / (df + 3.0)
    information = share + (1.0 - share) * correction if added > 0.0 else 0.0
    return ImputedEstimate(
        value=float(np.mean(values)),
        within=within,
        between=between,
        total=total,
        increase=increase,
        df=df,
        missing_information=information,
    )


def _degrees(share: float, m: int, complete_df: float | None) -> float:
    old = (m - 1) / share**2 if share > _NOTHING else inf
    if complete_df is None:
        return old
    observed = (complete_df + 1.0) / (complete_df + 3.0) * complete_df * (1.0 - share)
    if isinf(old):
        return observed
    return old * observed / (old + observed) if observed > 0.0 else 0.0
