"""How far the shares of two groups lie apart: the risk difference.

The estimand is p1 - p2, the long-run share adverse in cases like the first group minus that in cases like the
second; two independent binomial groups. A difference says that groups differ, not what made them differ.
"""

from __future__ import annotations

from collections.abc import Callable
from math import sqrt
from typing import Final, Literal

from warehouse.analysis.inputs import check_method, normal_p_value, z_value
from warehouse.analysis.proportion import wilson_interval
from warehouse.analysis.score import difference_statistic, lowest_difference
from warehouse.analysis.two_groups import TwoGroups, checked_groups, empty_group_reason, few_cases_cautions
from warehouse.results import Caution, Estimate, Interval, no_estimate

DifferenceMethod = Literal["newcombe", "miettinen_nurminen", "mee", "agresti_caffo", "wald"]

ESTIMAND: Final = "risk difference, first group minus second"

_NAMES: Final = {
    "newcombe": "Newcombe hybrid score interval",
    "miettinen_nurminen": "Miettinen-Nurminen score interval and test",
    "mee": "Mee score interval and test",
    "agresti_caffo": "Agresti-Caffo interval",
    "wald": "Wald interval and test",
}


def _newcombe(groups: TwoGroups, level: float) -> Interval:
    first = wilson_interval(groups.p1, groups.n1, level=level)
    second = wilson_interval(groups.p2, groups.n2, level=level)
    difference = groups.p1 - groups.p2
    down = sqrt((groups.p1 - first.low) ** 2 + (second.high - groups.p2) ** 2)
    up = sqrt((first.high - groups.p1) ** 2 + (groups.p2 - second.low) ** 2)
    return Interval(max(-1.0, difference - down), min(1.0, difference + up), level)


def _score(groups: TwoGroups, level: float, factor: float) -> Interval:
    z = z_value(level)
    low = lowest_difference(groups, z, factor)
    return Interval(low, -lowest_difference(groups.swapped, z, factor), level)


def _around(centre: float, variance: float, level: float) -> Interval:
    half = z_value(level) * sqrt(variance)
    return Interval(max(-1.0, centre - half), min(1.0, centre + half), level)


def _agresti_caffo(groups: TwoGroups, level: float) -> Interval:
    p1, p2 = (groups.x1 + 1.0) / (groups.n1 + 2.0), (groups.x2 + 1.0) / (groups.n2 + 2.0)
    variance = p1 * (1.0 - p1) / (groups.n1 + 2.0) + p2 * (1.0 - p2) / (groups.n2 + 2.0)
    return _around(p1 - p2, variance, level)


def wald_variance(groups: TwoGroups) -> float:
    """The large-sample variance of the difference; 0 when both shares are 0 or 1, which is its weakness."""
    return groups.p1 * (1.0 - groups.p1) / groups.n1 + groups.p2 * (1.0 - groups.p2) / groups.n2


_INTERVALS: Final[dict[str, Callable[[TwoGroups, float], Interval]]] = {
    "newcombe": _newcombe,
    "miettinen_nurminen": lambda groups, level: _score(groups, level, groups.inflation),
    "mee": lambda groups, level: _score(groups, level, 1.0),
    "agresti_caffo": _agresti_caffo,
    "wald": lambda groups, level: _around(groups.p1 - groups.p2, wald_variance(groups), level),
}


def _p_value(groups: TwoGroups, method: str) -> float | None:
    """Two-sided p of no difference, for the methods that come with a test of their own."""
    if method in {"miettinen_nurminen", "mee"}:
        factor = groups.inflation if method == "miettinen_nurminen" else 1.0
        return normal_p_value(difference_statistic(groups, 0.0, factor))
    variance = wald_variance(groups)
    if method == "wald" and variance > 0.0:
        return normal_p_value((groups.p1 - groups.p2) / sqrt(variance))
    return None


def risk_difference(
    x1: int, n1: int, x2: int, n2: int, *, method: DifferenceMethod = "newcombe", level: float = 0.95
) -> Estimate:
    """The difference of two shares, ``x1/n1 - x2/n2``, with its interval.

    ``method``: ``newcombe`` (default), ``miettinen_nurminen``, ``mee`` (the same without N/(N-1)), ``agresti_caffo``
    (cut at -1 and 1) or ``wald`` (for comparison with older reports only). Gives an estimate in the unit ``proportion``
    between -1 and 1. With an empty group its value is None. Zero cells need no correction, except for ``wald``, whose
    interval then collapses and carries a warning. The score and Wald methods bring a p value. Raises RequestError where
    a pair of counts, the method or the level is impossible.

    Source: Newcombe 1998, Stat Med 17:873 (method 10); Miettinen & Nurminen 1985, Stat Med 4:213; Agresti & Caffo
    2000, Am Stat 54:280.
    """
    check_method(method, _INTERVALS)
    groups = checked_groups(x1, n1, x2, n2)
    if groups is None:
        reason = empty_group_reason(n1, n2)
        return no_estimate(estimand=ESTIMAND, method=_NAMES[method], n=n1 + n2, reason=reason)
    cautions = few_cases_cautions(n1, n2)
    if method == "wald":
        text = "The Wald interval is too narrow in small groups and near shares of 0 or 1; prefer Newcombe's."
        cautions = (*cautions, Caution("approximation", text))
    return Estimate(
        estimand=ESTIMAND,
        value=groups.p1 - groups.p2,
        interval=_INTERVALS[method](groups, level),
        method=_NAMES[method],
        n=n1 + n2,
        p_value=_p_value(groups, method),
        warnings=cautions,
    )
