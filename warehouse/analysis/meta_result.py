"""What a pooled analysis gives back, on the scale pooled and taken back to shares, ratios or means."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from warehouse.results import Estimate, Interval

if TYPE_CHECKING:
    from warehouse.analysis.meta_effects import Scale


@dataclass(frozen=True, slots=True)
class PooledPractice:
    """One line of a forest picture: effect, its own Wald interval and its share of the weight."""

    label: str
    y: float
    interval: Interval
    weight: float
    n: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Heterogeneity:
    """How far practices differ beyond chance."""

    q: float  # Cochran's Q, with `df` and `p_value` (chi-squared)
    df: int
    p_value: float
    i2: float  # Share of the total variance that lies between practices, 0 to 1
    h2: float  # Total over typical sampling variance
    tau2: float  # Between-practice variance on the scale of the effects; 0 under the fixed effect
    tau2_se: float | None  # Its standard error (REML only)
    tau2_interval: Interval  # Its Q-profile interval


@dataclass(frozen=True, slots=True, kw_only=True)
class Pooled:
    """A pooled effect."""

    estimate: Estimate  # On the scale of the effects (log or logit where that is the scale)
    se: float | None  # Standard error that the interval uses, or None
    heterogeneity: Heterogeneity | None  # None with fewer than two practices
    prediction: Interval | None  # Interval for the true effect of a further practice, or None
    prediction_method: str  # Convention of it, in words
    practices: tuple[PooledPractice, ...]  # In the order given
    scale: Scale  # Scale of the effects

    def natural(self) -> Estimate:
        """The estimate taken back to a share, a ratio or (unchanged) a mean."""
        units = {"logit": "proportion", "mean": "mean"}
        value = self.estimate.value
        return replace(
            self.estimate,
            estimand=self.estimate.estimand.replace(" (log odds)", "").replace(" (log)", ""),
            value=None if value is None else back(value, self.scale),
            interval=back_interval(self.estimate.interval, self.scale),
            unit=units.get(self.scale, "ratio"),
        )

    def natural_prediction(self) -> Interval | None:
        """The prediction interval taken back likewise."""
        return back_interval(self.prediction, self.scale)


def back(value: float, scale: Scale) -> float:
    """A value on ``scale`` taken back: ``expit`` for a logit, ``exp`` for a log ratio, itself for a mean."""
    if scale == "mean":
        return value
    if scale == "logit":
        return 1 / (1 + math.exp(-value)) if value >= 0 else math.exp(value) / (1 + math.exp(value))
    return math.exp(value)


def back_interval(interval: Interval | None, scale: Scale) -> Interval | None:
    """Both ends of an interval taken back; None stays None."""
    if interval is None:
        return None
    return Interval(back(interval.low, scale), back(interval.high, scale), interval.level)
