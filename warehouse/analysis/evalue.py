"""E-value: how strong unmeasured confounding would have to be to explain an association away.

It is the least risk ratio that a hidden factor would need with both the appliance and the adverse change, beyond what
was adjusted for, to bring the estimate (or its nearer limit) to no association. A large one does not show cause.
Source: VanderWeele & Ding 2017, Ann Intern Med 167:268.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, isfinite, sqrt

from warehouse.errors import RequestError
from warehouse.results import Caution, Estimate, Interval


@dataclass(frozen=True, slots=True, kw_only=True)
class EValue:
    """E-values of an estimate and of the interval limit nearer to no association."""

    estimate: float | None  # For the point estimate; None when there is none
    # For the nearer limit, 1 when the interval includes no association; None when there is no interval
    limit: float | None
    risk_ratio: float | None  # The risk ratio they belong to, after conversion
    conversion: str  # How it was got, in words
    warnings: tuple[Caution, ...] = ()  # Why a value is missing, if one is


def e_value_of_ratio(risk_ratio: float) -> float:
    """RR + sqrt(RR (RR - 1)), on the reciprocal when RR < 1; infinite for 0 and infinity.

    Raises RequestError where the ratio is negative.
    """
    if risk_ratio < 0.0:
        found = f"a risk ratio of {risk_ratio:g}"
        raise RequestError(found, expected="a ratio of zero or more", remedy="do not pass a logarithm or a difference")
    if risk_ratio == 0.0 or not isfinite(risk_ratio):
        return inf
    ratio = max(risk_ratio, 1.0 / risk_ratio)
    return ratio + sqrt(ratio * (ratio - 1.0))


def e_value_of_limits(risk_ratio: float, low: float, high: float) -> float:
    """The E-value of the limit nearer to 1, which is 1 when the interval includes 1."""
    if low <= 1.0 <= high:
        return 1.0
    return e_value_of_ratio(low if risk_ratio > 1.0 else high)


def _from_ratio(value: float | None, interval: Interval | None, conversion: str) -> EValue:
    limit = None
    if interval is not None:
        limit = e_value_of_limits(inf if value is None else value, interval.low, interval.high)
    return EValue(
        estimate=None if value is None else e_value_of_ratio(value),
        limit=limit,
        risk_ratio=value,
        conversion=conversion,
        warnings=_cautions(value),
    )


def _cautions(value: float | None) -> tuple[Caution, ...]:
    if value is None:
        return (Caution("no_data", "There is no finite estimate, so it has no E-value."),)
    if value == 0.0:
        return (
            Caution("no_data", "One group has no adverse case, so the E-value has no upper end: read the limit's."),
        )
    return ()


def e_value_from_risk_ratio(estimate: Estimate) -> EValue:
    """E-value of a risk ratio.

    ``estimate``: a risk ratio with its interval, as :func:`risk_ratio` or a standardised risk ratio gives it. Raises
    RequestError where the value is negative.
    """
    conversion = "risk ratio as it stands"
    return _from_ratio(estimate.value, estimate.interval, conversion)


def _root(odds_ratio: float) -> float:
    if odds_ratio < 0.0:
        found = f"an odds ratio of {odds_ratio:g}"
        raise RequestError(found, expected="a ratio of zero or more", remedy="do not pass a logarithm")
    return sqrt(odds_ratio)


def e_value_from_odds_ratio(estimate: Estimate, *, rare: bool) -> EValue:
    """E-value of an odds ratio, converted to a risk ratio first.

    ``estimate``: an odds ratio with its interval. ``rare``: whether fewer than about 15% go adverse: the odds ratio
    then stands for the risk ratio. Otherwise its square root does (VanderWeele & Ding 2017, table 2). Raises
    RequestError where the value is negative.
    """
    conversion = "odds ratio taken as risk ratio (rare outcome)" if rare else "square root of the odds ratio"
    value, interval = estimate.value, estimate.interval
    if not rare:
        value = None if value is None else _root(value)
        interval = None if interval is None else Interval(_root(interval.low), _root(interval.high), interval.level)
    return _from_ratio(value, interval, conversion)


def e_value_from_difference(share_first: float, share_second: float, difference: Interval | None) -> EValue:
    """E-value of a risk difference, through the two shares it is the difference of.

    ``share_first``: share adverse in the first group, 0 to 1. ``share_second``: share adverse in the second group, 0 to
    1; the limits are taken as ratios to this one. ``difference``: interval of first minus second. Gives the E-value of
    ``share_first / share_second``. The limits treat the second share as known, which is the conversion of VanderWeele &
    Ding's appendix and somewhat optimistic. With a second share of 0 there is none.
    """
    conversion = "ratio of the two shares; limits as (second share + limit of the difference) / second share"
    if share_second <= 0.0:
        return _from_ratio(None, None, conversion)
    interval = None
    if difference is not None:
        interval = Interval(
            max(0.0, (share_second + difference.low) / share_second),
            max(0.0, (share_second + difference.high) / share_second),
            difference.level,
        )
    return _from_ratio(share_first / share_second, interval, conversion)
