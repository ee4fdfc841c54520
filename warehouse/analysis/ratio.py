"""How many times the share of one group is that of another: the risk ratio.

The estimand is p1 / p2 for two independent binomial groups. Where the second group has no adverse case the ratio
has no finite value; the result then says so, and its interval still gives the lower limit with an open top.
"""

from math import inf
from typing import Final

from warehouse.analysis.inputs import normal_p_value, z_value
from warehouse.analysis.proportion import proportion
from warehouse.analysis.two_groups import (
    TwoGroups,
    checked_groups,
    empty_group_reason,
    few_cases_cautions,
    lowest_ratio,
    ratio_statistic,
)
from warehouse.results import Caution, Estimate, Interval, no_estimate

ESTIMAND: Final = "risk ratio, first group over second"
_METHOD: Final = "Miettinen-Nurminen score interval and test"


def _interval(groups: TwoGroups, level: float) -> Interval:
    z = z_value(level)
    mirrored = lowest_ratio(groups.swapped, z)
    return Interval(lowest_ratio(groups, z), 1.0 / mirrored if mirrored > 0.0 else inf, level)


def _cautions(groups: TwoGroups, interval: Interval) -> tuple[Caution, ...]:
    found = list(few_cases_cautions(groups.n1, groups.n2))
    if groups.x2 == 0:
        found.append(Caution("no_data", "ratio_infinite_from", {"low": interval.low}))
    return tuple(found)


def risk_ratio(x1: int, n1: int, x2: int, n2: int, *, level: float = 0.95) -> Estimate:
    """The ratio of two shares, ``(x1/n1) / (x2/n2)``, with its interval.

    Gives an estimate in the unit ``ratio`` with a p value. With an empty group, or no adverse case in either, value
    and interval are None. With x2 = 0 the value is None and the interval runs from a finite limit to infinity; with
    x1 = 0 the value is 0. Raises RequestError where a pair of counts or the level is impossible.

    Source: Miettinen & Nurminen 1985, Stat Med 4:213.
    """
    z_value(level)
    groups = checked_groups(x1, n1, x2, n2)
    if groups is None or x1 + x2 == 0:
        reason = Caution("no_data", "none_adverse_no_ratio")
        reason = reason if groups is not None else empty_group_reason(n1, n2)
        return no_estimate(estimand=ESTIMAND, method=_METHOD, n=n1 + n2, reason=reason, unit="ratio")
    interval = _interval(groups, level)
    return Estimate(
        estimand=ESTIMAND,
        value=groups.p1 / groups.p2 if x2 > 0 else None,
        interval=interval,
        method=_METHOD,
        n=n1 + n2,
        p_value=normal_p_value(ratio_statistic(groups, 1.0)),
        unit="ratio",
        warnings=_cautions(groups, interval),
    )


def rate_ratio(x1: int, years1: float, x2: int, years2: float, *, level: float = 0.95) -> Estimate:
    """Adverse cases per year observed, first group over second, for groups observed for different times.

    Of all adverse cases the share in the first group is binomial, given the times; its mid-P limits give those of the
    ratio (conditional mid-P). Takes the chance as even over the years. None without an adverse case, without time, or
    with none in the second group.

    Source: Rothman, Greenland & Lash 2008, Modern Epidemiology, chapter 14 (from memory).
    """
    share = proportion(x1, x1 + x2, method="mid_p", level=level)
    estimand, method = "ratio of adverse cases per year observed, first group over second", "conditional mid-P"
    if share.interval is None or x2 == 0 or min(years1, years2) <= 0.0:
        reason = Caution("no_data", "no_rate_ratio")
        return no_estimate(estimand=estimand, method=method, n=x1 + x2, reason=reason, unit="ratio")

    def taken_back(part: float) -> float:
        return part / (1.0 - part) * years2 / years1 if part < 1.0 else inf

    interval = Interval(taken_back(share.interval.low), taken_back(share.interval.high), level)
    value = (x1 / years1) / (x2 / years2)
    return Estimate(estimand=estimand, value=value, interval=interval, method=method, n=x1 + x2, unit="ratio")
