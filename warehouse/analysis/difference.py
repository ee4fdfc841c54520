"""How far the shares of two groups lie apart: the risk difference.

The estimand is p1 - p2, the long-run share adverse in cases like the first group minus that in cases like the
second; two independent binomial groups. A difference says that groups differ, not what made them differ.
:func:`net_share` is about one group instead, in which a case is in one class, in its opposite, or in neither.
"""

from math import sqrt
from typing import Final

from warehouse.analysis.inputs import check_counts, check_level, z_value
from warehouse.analysis.proportion import wilson_interval
from warehouse.analysis.two_groups import TwoGroups, checked_groups, empty_group_reason, few_cases_cautions
from warehouse.results import Caution, Estimate, Interval, no_estimate

ESTIMAND: Final = "risk difference, first group minus second"

_METHOD: Final = "Newcombe hybrid score interval"


def _newcombe(groups: TwoGroups, level: float) -> Interval:
    first = wilson_interval(groups.p1, groups.n1, level=level)
    second = wilson_interval(groups.p2, groups.n2, level=level)
    difference = groups.p1 - groups.p2
    down = sqrt((groups.p1 - first.low) ** 2 + (second.high - groups.p2) ** 2)
    up = sqrt((first.high - groups.p1) ** 2 + (groups.p2 - second.low) ** 2)
    return Interval(max(-1.0, difference - down), min(1.0, difference + up), level)


def risk_difference(x1: int, n1: int, x2: int, n2: int, *, level: float = 0.95) -> Estimate:
    """The difference of two shares, ``x1/n1 - x2/n2``, with its interval.

    Gives an estimate in the unit ``proportion`` between -1 and 1; with an empty group its value is None. Zero cells
    need no correction. Raises RequestError where a pair of counts or the level is impossible.

    Source: Newcombe 1998, Stat Med 17:873 (method 10).
    """
    groups = checked_groups(x1, n1, x2, n2)
    if groups is None:
        reason = empty_group_reason(n1, n2)
        return no_estimate(estimand=ESTIMAND, method=_METHOD, n=n1 + n2, reason=reason)
    return Estimate(
        estimand=ESTIMAND,
        value=groups.p1 - groups.p2,
        interval=_newcombe(groups, level),
        method=_METHOD,
        n=n1 + n2,
        warnings=few_cases_cautions(n1, n2),
    )


NET: Final = "share adverse minus share that moved as far the other way"
_NET_METHOD: Final = "Tango score interval for dependent proportions"


def net_share(x: int, y: int, n: int, *, level: float = 0.95) -> Estimate:
    """The difference ``x/n - y/n`` of two shares of the same ``n`` cases, none of which is in both, with its interval.

    ``x``: cases adverse; ``y``: cases that moved as far the other way. The two are dependent: the counts are those of
    one multinomial sample of three classes, as are the two kinds of discordant pairs among paired proportions. Gives an
    estimate in the unit ``proportion`` between -1 and 1; with n = 0 its value is None. Raises RequestError where the
    counts or the level are impossible.

    Source: Tango 1998, Stat Med 17:891; Fagerland, Lydersen & Laake 2014, Stat Med 33:2850, section 4.
    """
    check_counts(x + y, n)
    check_counts(x, n)
    check_counts(y, n)
    check_level(level)
    if n == 0:
        return no_estimate(estimand=NET, method=_NET_METHOD, n=0, reason=Caution("no_data", "none_assessed"))
    z = z_value(level)
    return Estimate(
        estimand=NET,
        value=(x - y) / n,
        interval=Interval(_lowest_net(x, y, n, z), -_lowest_net(y, x, n, z), level),
        method=_NET_METHOD,
        n=n,
    )


def _lowest_net(x: int, y: int, n: int, z: float) -> float:
    """The lower limit, by halving: every share on a screen has one, and SciPy's root finders take long to load."""
    low, high = -1.0, (x - y) / n
    while high - low > 1e-13:
        middle = (low + high) / 2.0
        low, high = (middle, high) if _net_is_above(middle, x, y, n, z) else (low, middle)
    return low


def _net_is_above(delta: float, x: int, y: int, n: int, z: float) -> bool:
    """Whether the observed difference lies more than ``z`` standard errors above ``delta``, by the score statistic."""
    b = (2 * n - x + y) * delta - x - y
    second = (sqrt(max(0.0, b * b + 8.0 * n * y * delta * (1.0 - delta))) - b) / (4.0 * n)  # likeliest share of y
    variance = max(0.0, n * (2.0 * second + delta * (1.0 - delta)))
    return x - y - n * delta > z * sqrt(variance)
