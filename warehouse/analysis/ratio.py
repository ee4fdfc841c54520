"""How many times the share of one group is that of another: the risk ratio.

The estimand is p1 / p2 for two independent binomial groups. Where the second group has no adverse case the ratio
has no finite value; the result then says so, and its interval still gives the lower limit with an open top.
"""

from __future__ import annotations

from collections.abc import Callable
from math import exp, inf, log, sqrt
from typing import Final, Literal

from warehouse.analysis.inputs import check_method, normal_p_value, z_value
from warehouse.analysis.proportion import wilson_interval
from warehouse.analysis.score import lowest_ratio, ratio_statistic
from warehouse.analysis.two_groups import TwoGroups, checked_groups, empty_group_reason, few_cases_cautions
from warehouse.results import Caution, Estimate, Interval, no_estimate

RatioMethod = Literal["miettinen_nurminen", "koopman", "katz", "mover"]

ESTIMAND: Final = "risk ratio, first group over second"

_NAMES: Final = {
    "miettinen_nurminen": "Miettinen-Nurminen score interval and test",
    "koopman": "Koopman score interval and test",
    "katz": "Katz log interval and Wald test of the log ratio",
    "mover": "MOVER-R interval from Wilson limits",
}


def _score(groups: TwoGroups, level: float, factor: float) -> Interval:
    z = z_value(level)
    mirrored = lowest_ratio(groups.swapped, z, factor)
    return Interval(lowest_ratio(groups, z, factor), 1.0 / mirrored if mirrored > 0.0 else inf, level)


def _log_error(groups: TwoGroups) -> float:
    return sqrt(1.0 / groups.x1 - 1.0 / groups.n1 + 1.0 / groups.x2 - 1.0 / groups.n2)


def _katz(groups: TwoGroups, level: float) -> Interval | None:
    if groups.x1 == 0 or groups.x2 == 0:
        return None
    centre, half = log(groups.p1 / groups.p2), z_value(level) * _log_error(groups)
    return Interval(exp(centre - half), exp(centre + half), level)


def _lowest_mover(groups: TwoGroups, level: float) -> float:
    """Lower MOVER-R limit in a form that needs no division by a share of zero."""
    if groups.x1 == 0:
        return 0.0
    low = wilson_interval(groups.p1, groups.n1, level=level).low
    high = wilson_interval(groups.p2, groups.n2, level=level).high
    product = groups.p1 * groups.p2
    first, second = low * (2.0 * groups.p1 - low), high * (2.0 * groups.p2 - high)
    return first / (product + sqrt(max(0.0, product * product - first * second)))


def _mover(groups: TwoGroups, level: float) -> Interval:
    mirrored = _lowest_mover(groups.swapped, level)
    return Interval(_lowest_mover(groups, level), 1.0 / mirrored if mirrored > 0.0 else inf, level)


_INTERVALS: Final[dict[str, Callable[[TwoGroups, float], Interval | None]]] = {
    "miettinen_nurminen": lambda groups, level: _score(groups, level, groups.inflation),
    "koopman": lambda groups, level: _score(groups, level, 1.0),
    "katz": _katz,
    "mover": _mover,
}


def _p_value(groups: TwoGroups, method: str) -> float | None:
    if method == "katz" and groups.x1 > 0 and groups.x2 > 0:
        error = _log_error(groups)
        return normal_p_value(log(groups.p1 / groups.p2) / error) if error > 0.0 else None
    if method in {"miettinen_nurminen", "koopman"}:
        factor = groups.inflation if method == "miettinen_nurminen" else 1.0
        return normal_p_value(ratio_statistic(groups, 1.0, factor))
    return None


def _cautions(groups: TwoGroups, interval: Interval | None) -> tuple[Caution, ...]:
    found = list(few_cases_cautions(groups.n1, groups.n2))
    if groups.x2 == 0:
        least = f"; it may be as low as {interval.low:.2g}" if interval is not None else ""
        text = f"The second group has no adverse case, so the ratio has no finite value{least}."
        found.append(Caution("no_data", text))
    if interval is None:
        text = "This interval does not exist when a group has no adverse case; the score interval does."
        found.append(Caution("approximation", text))
    return tuple(found)


def risk_ratio(
    x1: int, n1: int, x2: int, n2: int, *, method: RatioMethod = "miettinen_nurminen", level: float = 0.95
) -> Estimate:
    """The ratio of two shares, ``(x1/n1) / (x2/n2)``, with its interval.

    ``method``: ``miettinen_nurminen`` (default), ``koopman`` (the same without N/(N-1)), ``katz`` (log-normal, no
    interval with a zero) or ``mover`` (MOVER-R on Wilson limits). Gives an estimate in the unit ``ratio``. With an
    empty group, or with no adverse case in either, value and interval are None. With x2 = 0 the value is None and the
    interval runs from a finite limit to infinity. With x1 = 0 the value is 0. A p value comes with the score and Katz
    methods. Raises RequestError where a pair of counts, the method or the level is impossible.

    Source: Koopman 1984, Biometrics 40:513; Miettinen & Nurminen 1985, Stat Med 4:213; Katz et al. 1978,
    Biometrics 34:469; Fagerland & Newcombe 2013, Stat Med 32:2823 (MOVER-R).
    """
    check_method(method, _INTERVALS)
    z_value(level)
    groups = checked_groups(x1, n1, x2, n2)
    if groups is None or x1 + x2 == 0:
        reason = "No case went adverse in either group, so a ratio of the shares does not exist."
        reason = reason if groups is not None else empty_group_reason(n1, n2)
        return no_estimate(estimand=ESTIMAND, method=_NAMES[method], n=n1 + n2, reason=reason, unit="ratio")
    interval = _INTERVALS[method](groups, level)
    return Estimate(
        estimand=ESTIMAND,
        value=groups.p1 / groups.p2 if x2 > 0 else None,
        interval=interval,
        method=_NAMES[method],
        n=n1 + n2,
        p_value=_p_value(groups, method),
        unit="ratio",
        warnings=_cautions(groups, interval),
    )
