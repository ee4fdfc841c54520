"""What an analysis gives back: frozen, unrounded, with its n, interval, method and warnings."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

_NOTHING: Mapping[str, int] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Interval:
    """A two-sided interval; ``level`` is its nominal coverage, e.g. 0.95."""

    low: float
    high: float
    level: float = 0.95

    def __contains__(self, value: float) -> bool:
        """Whether ``value`` lies within the closed interval."""
        return self.low <= value <= self.high


@dataclass(frozen=True, slots=True)
class Caution:
    """A warning that travels with a result, so that a screen can show it; `warehouse.words` has its sentence."""

    kind: str  # `small_sample`, `approximation`, `convergence`, `no_data`, `positivity`, `separation`, `withheld`
    code: str  # Key of its sentence, such as `few_cases`
    numbers: Mapping[str, object] = field(default_factory=dict, hash=False)  # What the sentence names


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """One estimated quantity."""

    estimand: str  # What is estimated, in words ("risk difference, first group minus second")
    value: float | None  # The point estimate; None where the data cannot give one (`warnings` says why)
    interval: Interval | None  # Its interval, or None
    method: str  # The method of estimate and interval by their textbook names
    n: int  # Number of cases used
    left_out: Mapping[str, int] = field(default_factory=lambda: _NOTHING)  # Reason -> number of cases not used
    p_value: float | None = None  # Two-sided unless `method` says otherwise, or None
    unit: str = "proportion"  # Unit of `value` ("proportion", "degrees", "ratio" ...)
    adjusted_for: tuple[str, ...] = ()  # Names of the variables adjusted for
    warnings: tuple[Caution, ...] = ()  # Cautions to show with the number


def no_estimate(*, estimand: str, method: str, n: int, reason: Caution, unit: str = "proportion") -> Estimate:
    """An estimate the data cannot give, with the reason."""
    return Estimate(estimand=estimand, value=None, interval=None, method=method, n=n, unit=unit, warnings=(reason,))
