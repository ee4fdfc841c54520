"""The beta-binomial model of several groups' counts: rates that vary from group to group, and chance on top.

Own code: SciPy has the distribution but no fit; statsmodels has neither.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, log
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from warehouse.analysis.spline import FloatArray

_LOG_PRIOR_CASES = (-9.0, 16.0)  # the search for the prior's weight runs from almost nothing to nine million cases


@dataclass(frozen=True, slots=True, kw_only=True)
class BetaBinomialFit:
    """Maximum likelihood fit of rate ~ beta(mean x prior_cases, (1 - mean) x prior_cases)."""

    mean: float | None  # Mean rate of the groups; None without a case
    # How many cases the common rate is worth for each group; infinite if the rates differ no more than chance
    # makes them differ
    prior_cases: float
    log_likelihood: float  # With the binomial coefficients, so that one group of one case has log(mean)


def fit_beta_binomial(adverse: FloatArray, cases: FloatArray) -> BetaBinomialFit:
    """Fit mean and weight of the common rate by marginal likelihood.

    ``adverse``: adverse cases of each group, shape ``(groups,)``. ``cases``: cases of each group, shape ``(groups,)``;
    groups without a case carry no information.

    Source: Skellam 1948, J R Stat Soc B 10:257 (distribution).
    """
    x, n = adverse[cases > 0], cases[cases > 0]
    if n.size == 0:
        return BetaBinomialFit(mean=None, prior_cases=inf, log_likelihood=0.0)
    pooled = float(x.sum() / n.sum())
    alike = _log_binomial(x, n, pooled)
    if not 0.0 < pooled < 1.0:
        return BetaBinomialFit(mean=pooled, prior_cases=inf, log_likelihood=alike)
    mean, prior_cases, height = _climb(x, n, pooled)
    if height <= alike + 1e-7:
        return BetaBinomialFit(mean=pooled, prior_cases=inf, log_likelihood=alike)
    return BetaBinomialFit(mean=mean, prior_cases=prior_cases, log_likelihood=height)


def log_beta_binomial(x: FloatArray, n: FloatArray, a: FloatArray, b: FloatArray) -> FloatArray:
    """Log probability of x adverse of n when the rate is beta(a, b), without the binomial coefficient; broadcasts."""
    from scipy.special import betaln

    return np.asarray(betaln(a + x, b + n - x) - betaln(a, b))


def _log_ways(x: FloatArray, n: FloatArray) -> float:
    from scipy.special import gammaln

    return float(np.sum(gammaln(n + 1.0) - gammaln(x + 1.0) - gammaln(n - x + 1.0)))


def _log_binomial(x: FloatArray, n: FloatArray, p: float) -> float:
    from scipy.special import xlog1py, xlogy

    return _log_ways(x, n) + float(np.sum(xlogy(x, p) + xlog1py(n - x, -p)))


def _climb(x: FloatArray, n: FloatArray, pooled: float) -> tuple[float, float, float]:
    """The best mean, prior weight and height, from several starting weights because the ridge can be flat."""
    from scipy.optimize import minimize

    def downhill(at: FloatArray) -> tuple[float, FloatArray]:
        return _height_and_slope(at, x, n)

    starts = [np.array([log(pooled / (1.0 - pooled)), start]) for start in (0.0, 3.0, 7.0)]
    found = [
        minimize(
            downhill,
            start,
            method="L-BFGS-B",
            jac=True,
            bounds=[(-30.0, 30.0), _LOG_PRIOR_CASES],
            options={"ftol": 1e-15, "gtol": 1e-9},
        )
        for start in starts
    ]
    best = min(found, key=lambda end: float(end.fun))
    mean = 1.0 / (1.0 + float(np.exp(-best.x[0])))
    return mean, float(np.exp(best.x[1])), _log_ways(x, n) - float(best.fun)


def _height_and_slope(at: FloatArray, x: FloatArray, n: FloatArray) -> tuple[float, FloatArray]:
    """Minus the log likelihood without binomial coefficients, and its derivative by (log odds of mean, log weight)."""
    from scipy.special import digamma, expit

    mean, weight = float(expit(at[0])), float(np.exp(at[1]))
    a, b = mean * weight, float(expit(-at[0])) * weight
    height = float(np.sum(log_beta_binomial(x, n, np.array(a), np.array(b))))
    common = digamma(n + weight) - digamma(weight)
    by_a = float(np.sum(digamma(x + a) - digamma(a) - common))
    by_b = float(np.sum(digamma(n - x + b) - digamma(b) - common))
    turn = a * b / weight
    return -height, -np.array([turn * (by_a - by_b), a * by_a + b * by_b])
