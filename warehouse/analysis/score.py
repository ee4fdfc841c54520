"""Score intervals for two binomial groups: the machinery behind Miettinen and Nurminen's intervals.

statsmodels 0.15.0 offers score intervals too, but those for a difference are wrong (56/70 against 48/80: it
prints .0526 to .3440, the published limits are .0528 to .3382) and raise on small tables; hence own code.

A score interval holds every difference (or ratio) that a test would not reject; the test divides the distance
from that hypothesis by the standard error under it, which needs the constrained maximum-likelihood shares.
Source: Miettinen & Nurminen 1985, Stat Med 4:213.
"""

from __future__ import annotations

from math import acos, cos, exp, inf, log, pi, sqrt
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from warehouse.analysis.two_groups import TwoGroups


def shares_at_difference(groups: TwoGroups, delta: float) -> tuple[float, float]:
    """Maximum-likelihood shares among those with ``p1 - p2 = delta`` (closed form of the cubic).

    Source: Farrington & Manning 1990, Stat Med 9:1447, appendix.
    """
    theta = groups.n2 / groups.n1
    p1, p2 = groups.p1, groups.p2
    a = 1.0 + theta
    b = -(1.0 + theta + p1 + theta * p2 + delta * (theta + 2.0))
    c = delta * delta + delta * (2.0 * p1 + theta + 1.0) + p1 + theta * p2
    d = -p1 * delta * (1.0 + delta)
    third = b / (3.0 * a)
    v = third**3 - b * c / (6.0 * a * a) + d / (2.0 * a)
    u = sqrt(max(0.0, third * third - c / (3.0 * a)))
    if v < 0.0:
        u = -u
    cosine = v / u**3 if abs(u) > 1e-100 else 1.0  # three equal roots leave no angle
    angle = (pi + acos(max(-1.0, min(1.0, cosine)))) / 3.0
    first = 2.0 * u * cos(angle) - third
    first = min(max(first, 0.0, delta), 1.0, 1.0 + delta)
    return first, first - delta


def difference_statistic(groups: TwoGroups, delta: float) -> float:
    """The standardised distance of the observed difference from ``delta``; falls as ``delta`` grows."""
    q1, q2 = shares_at_difference(groups, delta)
    variance = max(0.0, q1 * (1.0 - q1) / groups.n1 + q2 * (1.0 - q2) / groups.n2) * groups.inflation
    return _standardised(groups.p1 - groups.p2 - delta, variance)


def _standardised(distance: float, variance: float) -> float:
    if abs(distance) < 1e-15:  # the hypothesis is the estimate, whatever its variance
        return 0.0
    return distance / sqrt(variance) if variance > 0.0 else inf * distance


def lowest_difference(groups: TwoGroups, z: float) -> float:
    """The lower score limit of ``p1 - p2``; the upper one is minus that of the swapped groups."""
    from scipy.optimize import brentq

    estimate = groups.p1 - groups.p2
    if estimate <= -1.0:
        return -1.0

    def excess(delta: float) -> float:
        return min(difference_statistic(groups, delta), 1e9) - z

    return float(brentq(excess, -1.0, estimate, xtol=1e-13))


def shares_at_ratio(groups: TwoGroups, ratio: float) -> tuple[float, float]:
    """Maximum-likelihood shares among those with ``p1 = ratio * p2`` (the smaller root of a quadratic)."""
    n1, n2, x1, x2 = groups.n1, groups.n2, groups.x1, groups.x2
    events = x1 + x2
    b = ratio * (n1 + x2) + x1 + n2
    root = sqrt(max(0.0, b * b - 4.0 * ratio * (n1 + n2) * events))
    second = min(2.0 * events / (b + root), 1.0, 1.0 / ratio)
    return min(1.0, ratio * second), second


def ratio_statistic(groups: TwoGroups, ratio: float) -> float:
    """The standardised distance of ``p1`` from ``ratio * p2``; falls as ``ratio`` grows."""
    q1, q2 = shares_at_ratio(groups, ratio)
    variance = q1 * (1.0 - q1) / groups.n1 + ratio * ratio * q2 * (1.0 - q2) / groups.n2
    return _standardised(groups.p1 - ratio * groups.p2, max(0.0, variance) * groups.inflation)


def lowest_ratio(groups: TwoGroups, z: float) -> float:
    """The lower score limit of ``p1 / p2``; the upper one is one over that of the swapped groups.

    It is 0 when the first group has no adverse case.
    """
    from scipy.optimize import brentq

    if groups.x1 == 0:
        return 0.0

    def excess(log_ratio: float) -> float:
        return min(ratio_statistic(groups, exp(log_ratio)), 1e9) - z

    high = log(groups.p1 / groups.p2) if groups.x2 else log(groups.p1 * groups.n2)
    while excess(high) > 0.0:
        high += 1.0
    low = high - 1.0
    while excess(low) < 0.0:
        low -= 2.0
    return exp(float(brentq(excess, low, high, xtol=1e-13)))
