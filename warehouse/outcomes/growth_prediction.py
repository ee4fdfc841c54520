"""What a growth reference foretells for one child: the expected change with its interval, and the place among peers.

Source of the z-scores: Cole & Green 1992, Stat Med 11:1305 (the LMS method).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, log, sqrt

from warehouse.outcomes.growth_reference import GROWTH_OVER_AT, GrowthCurve
from warehouse.results import Interval


@dataclass(frozen=True, slots=True, kw_only=True)
class Prediction:
    """The change to expect of one untreated child between two ages."""

    mean: float | None  # Mean change; None outside the ages of the curve
    # Spread of single children about it, the doubt about the mean included; None if the reference gives none
    sd: float | None
    interval: Interval | None  # Where the change of one child is to be expected, mean +- z sd; None without `sd`
    said: str  # What the figures rest on, or why there are none, in one sentence


def growth_years(curve: GrowthCurve, age_from: float, age_to: float) -> float:
    """Years of an interval in which a child still grows by the curve.

    A flat piece counts while it ends by 18 years: a measure that happens not to change in a growing child. The flat
    piece of the adult does not count.
    """
    pieces = zip(curve.ages, curve.ages[1:], curve.means, curve.means[1:], strict=False)
    return sum(
        max(0.0, min(age_to, b) - max(age_from, a))
        for a, b, before, after in pieces
        if before != after or b <= GROWTH_OVER_AT
    )


def yearly_spread(curve: GrowthCurve) -> float | None:
    """Spread of the annual change of single children about the curve: sqrt(slope_sd^2 + slope_se^2).

    None where the reference does not say how much children differ. A standard error that is not known counts as none.
    """
    if curve.slope_sd is None:
        return None
    return sqrt(curve.slope_sd**2 + (curve.slope_se or 0.0) ** 2)


def predicted_change(curve: GrowthCurve, age_from: float, age_to: float, *, level: float = 0.95) -> Prediction:
    """The change of one untreated child between two ages, with its prediction interval.

    Children are taken to differ normally in their rate, and to keep it: spread = rate spread x years of growth.
    Measuring error is not in it.

    Args:
        curve: The course of the measure.
        age_from: Age at the first record in years.
        age_to: Age at the second, not below the first.
        level: Coverage of the interval.
    """
    from warehouse.analysis.inputs import z_value

    mean = curve.expected_change(age_from, age_to)
    if mean is None:
        said = f"The reference covers ages {curve.ages[0]:g} to {curve.ages[-1]:g} only."
        return Prediction(mean=None, sd=None, interval=None, said=said)
    spread = yearly_spread(curve)
    if spread is None:
        said = "The reference does not say how much children differ in their growth, so there is no interval."
        return Prediction(mean=mean, sd=None, interval=None, said=said)
    sd = spread * growth_years(curve, age_from, age_to)
    half = z_value(level) * sd
    known = "and for doubt about their mean" if curve.slope_se is not None else "but not for doubt about their mean"
    said = f"The interval allows for differences between children {known}; measuring error comes on top."
    return Prediction(mean=mean, sd=sd, interval=Interval(mean - half, mean + half, level), said=said)


def lms_z_score(value: float, skew: float, median: float, variation: float) -> float:
    """How far a value lies from the median, in standard deviations, by the LMS method.

    ((value / M)^L - 1) / (L S), and log(value / M) / S where L is 0.

    Args:
        value: The value, above 0.
        skew: L, the power that makes the values normal.
        median: M, above 0.
        variation: S, the coefficient of variation, above 0.
    """
    ratio = log(value / median)
    return ratio / variation if skew == 0.0 else (exp(skew * ratio) - 1.0) / (skew * variation)


def lms_value(z: float, skew: float, median: float, variation: float) -> float | None:
    """The value that lies ``z`` standard deviations from the median: M (1 + L S z)^(1/L); None where there is none."""
    if skew == 0.0:
        return median * exp(variation * z)
    base = 1.0 + skew * variation * z
    return median * exp(log(base) / skew) if base > 0.0 else None


def z_score(curve: GrowthCurve, age: float, value: float) -> float | None:
    """Where a value stands among untreated children of that age, in standard deviations from their middle.

    Mean and SD, or L, M and S, are taken by straight lines between the ages of the reference.

    Returns:
        The z-score; None outside the ages of the curve, where it gives no spread, or for a value of 0 or less under
        the LMS method.
    """
    if curve.lms:
        skew, median, variation = (
            curve.between_knots(tuple(knot[part] for knot in curve.lms), age) for part in range(3)
        )
        if skew is None or median is None or variation is None or value <= 0.0:
            return None
        return lms_z_score(value, skew, median, variation)
    mean = curve.at(age)
    sd = curve.between_knots(curve.sds, age) if curve.sds else None
    return None if mean is None or sd is None else (value - mean) / sd
