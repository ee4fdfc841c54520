"""E-value: how strong unmeasured confounding would have to be to explain an association away.

It is the least risk ratio that a hidden factor would need with both the appliance and the adverse change, beyond what
was adjusted for, to bring the estimate (or its nearer limit) to no association. A large one does not show cause.
Source: VanderWeele & Ding 2017, Ann Intern Med 167:268.
"""

from dataclasses import dataclass
from math import inf, isfinite, sqrt

from warehouse.errors import RequestError
from warehouse.results import Caution, Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class EValue:
    """E-values of an estimate and of the interval limit nearer to no association."""

    estimate: float | None  # For the point estimate; None when there is none
    # For the nearer limit, 1 when the interval includes no association; None when there is no interval
    limit: float | None
    risk_ratio: float | None  # The risk ratio they belong to
    conversion: str = "risk ratio as it stands"
    warnings: tuple[Caution, ...]  # Why a value is missing, if one is


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


def _cautions(value: float | None) -> tuple[Caution, ...]:
    if value is None:
        return (Caution("no_data", "no_e_value"),)
    if value == 0.0:
        return (Caution("no_data", "e_value_without_upper_end"),)
    return ()


def e_value_from_risk_ratio(estimate: Estimate) -> EValue:
    """E-value of a risk ratio with its interval, crude or standardised; RequestError where it is negative."""
    value, interval = estimate.value, estimate.interval
    limit = None
    if interval is not None:
        limit = e_value_of_limits(inf if value is None else value, interval.low, interval.high)
    return EValue(
        estimate=None if value is None else e_value_of_ratio(value),
        limit=limit,
        risk_ratio=value,
        warnings=_cautions(value),
    )
