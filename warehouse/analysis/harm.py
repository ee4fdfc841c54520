"""Number needed to harm: how many cases of one kind go with one more adverse case than the other kind.

It is the reciprocal of the risk difference. When the interval of the difference crosses zero, the interval of
the reciprocal is two disjoint pieces that meet at infinity, not the span between two numbers.
Source: Altman 1998, BMJ 317:1309.
"""

from dataclasses import dataclass
from math import inf
from typing import Literal

from warehouse.analysis.difference import risk_difference
from warehouse.results import Caution, Estimate, Interval

Direction = Literal["harm", "benefit", "none"]


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberNeeded:
    """A number needed to harm, or to benefit, with an interval of one or two parts."""

    # Cases per one more (`harm`) or one fewer (`benefit`) adverse case; None when the shares are equal (the
    # number is then infinite) or cannot be compared
    value: float | None
    direction: Direction  # Which of the two `value` counts
    # The part of the interval on the side of harm, from the smallest number (strongest effect) up; its top is
    # infinite when the interval of the difference reaches zero. None when there is no such part.
    harm: Interval | None
    benefit: Interval | None  # The same on the side of benefit
    difference: Estimate  # The risk difference it all comes from

    @property
    def warnings(self) -> tuple[Caution, ...]:
        """The warnings of the difference, which hold for its reciprocal."""
        return self.difference.warnings


def _reciprocal(value: float) -> float:
    return 1.0 / value if value > 0.0 else inf


def _part(least: float, most: float, level: float) -> Interval | None:
    """The numbers needed that go with differences from ``least`` to ``most`` (one sign, taken positive)."""
    if most <= 0.0:
        return None
    return Interval(_reciprocal(most), _reciprocal(max(0.0, least)), level)


def number_needed_to_harm(x1: int, n1: int, x2: int, n2: int, *, level: float = 0.95) -> NumberNeeded:
    """Cases of the first group that go with one more adverse case than in the second.

    Inverts Newcombe's interval. With an empty group ``value`` and both parts are None and ``warnings`` say why. The
    number is an association in an audit, not an effect of treatment. Raises RequestError where a pair of counts or the
    level is impossible.
    """
    difference = risk_difference(x1, n1, x2, n2, level=level)
    value, interval = difference.value, difference.interval
    harm = benefit = None
    if interval is not None:
        harm = _part(interval.low, interval.high, level)
        benefit = _part(-interval.high, -interval.low, level)
    direction: Direction = "none"
    if value:
        direction = "harm" if value > 0.0 else "benefit"
    return NumberNeeded(
        value=1.0 / abs(value) if value else None,
        direction=direction,
        harm=harm,
        benefit=benefit,
        difference=difference,
    )
