"""Between-practice variance (tau squared) of a random-effects model, and its interval.

All functions take the effects ``y`` and sampling variances ``v``, shape ``(k,)`` with k >= 2, on one scale, and
assume ``y_i ~ N(mu, v_i + tau2)`` with ``v_i`` known. They never go below zero. statsmodels pools effects too,
but offers neither REML nor the Q-profile interval, hence these.

Sources: DerSimonian & Laird 1986; Paule & Mandel 1982; Viechtbauer 2005 (REML, ML), 2007 (Q-profile); the
figures they are checked against are from Viechtbauer 2010, J Stat Softw 36(3).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from warehouse.results import Interval

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Array = NDArray[np.float64]


def generalised_q(y: Array, v: Array, tau2: float) -> float:
    """``sum w (y - mu)**2`` with ``w = 1 / (v + tau2)``; Cochran's Q at ``tau2 = 0``."""
    w = 1 / (v + tau2)
    return float(np.sum(w * (y - np.sum(w * y) / np.sum(w)) ** 2))


def typical_variance(v: Array) -> float:
    """Higgins and Thompson's "typical" sampling variance: ``(k-1) sum w / ((sum w)**2 - sum w**2)``."""
    w = 1 / v
    return float((v.size - 1) * np.sum(w) / (np.sum(w) ** 2 - np.sum(w**2)))


def tau2_dl(y: Array, v: Array) -> float:
    """DerSimonian-Laird: the moment estimator from Cochran's Q, cut at zero."""
    w = 1 / v
    spread = float(np.sum(w) - np.sum(w**2) / np.sum(w))
    return max(0.0, (generalised_q(y, v, 0.0) - (y.size - 1)) / spread)


def tau2_pm(y: Array, v: Array) -> float:
    """Paule-Mandel: the value at which the generalised Q equals its expectation ``k - 1``."""
    return _q_equals(y, v, y.size - 1.0)


def tau2_reml(y: Array, v: Array) -> float:
    """Restricted maximum likelihood; the highest point of the restricted likelihood, not just a root."""
    return _highest(lambda tau2: restricted_log_likelihood(y, v, tau2), y, v)


def tau2_ml(y: Array, v: Array) -> float:
    """Maximum likelihood; biased down, for comparison only."""
    return _highest(lambda tau2: _log_likelihood(y, v, tau2), y, v)


def restricted_log_likelihood(y: Array, v: Array, tau2: float) -> float:
    """Restricted log-likelihood without its constants."""
    w = 1 / (v + tau2)
    return _log_likelihood(y, v, tau2) - 0.5 * math.log(float(np.sum(w)))


def tau2_se_reml(v: Array, tau2: float) -> float:
    """Standard error of the REML value from the expected information: ``sqrt(2 / tr(PP))``."""
    w = 1 / (v + tau2)
    total = np.sum(w)
    trace = np.sum(w**2) - 2 * np.sum(w**3) / total + (np.sum(w**2) / total) ** 2
    return math.sqrt(2 / float(trace))


def tau2_q_profile(y: Array, v: Array, *, level: float = 0.95) -> Interval:
    """Q-profile interval: all values not rejected by the generalised Q (Viechtbauer 2007).

    An end that would be negative is zero; both ends are zero when the effects lie closer together than chance
    alone would put them.
    """
    from scipy.stats import chi2

    tail = (1 - level) / 2
    df = y.size - 1
    low, high = (_q_equals(y, v, float(chi2.ppf(p, df))) for p in (1 - tail, tail))
    return Interval(low, high, level)


def _log_likelihood(y: Array, v: Array, tau2: float) -> float:
    return -0.5 * (float(np.sum(np.log(v + tau2))) + generalised_q(y, v, tau2))


def _q_equals(y: Array, v: Array, goal: float) -> float:
    """The tau squared at which the generalised Q, which only falls, equals ``goal``; zero if already below."""
    from scipy.optimize import brentq

    if generalised_q(y, v, 0.0) <= goal:
        return 0.0
    high = float(np.var(y) + np.max(v))
    while generalised_q(y, v, high) > goal:
        high *= 2
    return float(brentq(lambda tau2: generalised_q(y, v, tau2) - goal, 0.0, high, xtol=1e-14, rtol=1e-14))


def _highest(height: Callable[[float], float], y: Array, v: Array) -> float:
    """The highest point of a likelihood in tau squared: a coarse grid first, since it can have two humps."""
    from scipy.optimize import minimize_scalar

    top = 20 * float(np.var(y) + np.max(v))
    grid = np.concatenate([[0.0], np.geomspace(1e-6 * top, top, 80)])
    best = int(np.argmax([height(float(tau2)) for tau2 in grid]))
    low, high = float(grid[max(0, best - 1)]), float(grid[min(best + 1, grid.size - 1)])
    found = minimize_scalar(
        lambda tau2: -height(tau2), bounds=(low, high), method="bounded", options={"xatol": 1e-12 * (1 + high)}
    )
    return float(found.x) if height(float(found.x)) > height(0.0) else 0.0
