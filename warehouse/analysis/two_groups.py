"""Two groups of cases to compare, and what to say when one of them is empty or small."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, inf, log, sqrt

from warehouse.analysis.inputs import check_counts
from warehouse.analysis.proportion import FEW_CASES
from warehouse.analysis.roots import crossing
from warehouse.results import Caution


@dataclass(frozen=True, slots=True)
class TwoGroups:
    """``x1`` of ``n1`` cases adverse against ``x2`` of ``n2``; both groups hold at least one case."""

    x1: int
    n1: int
    x2: int
    n2: int

    @property
    def swapped(self) -> TwoGroups:
        """The second group first."""
        return TwoGroups(self.x2, self.n2, self.x1, self.n1)

    @property
    def p1(self) -> float:
        """Share adverse in the first group."""
        return self.x1 / self.n1

    @property
    def p2(self) -> float:
        """Share adverse in the second group."""
        return self.x2 / self.n2

    @property
    def inflation(self) -> float:
        """Miettinen and Nurminen's N / (N - 1) of the score variance."""
        total = self.n1 + self.n2
        return total / (total - 1.0)


def checked_groups(x1: int, n1: int, x2: int, n2: int) -> TwoGroups | None:
    """The two groups as counts, or None when one of them is empty.

    Raises RequestError where either pair is not a count of cases.
    """
    check_counts(x1, n1, where="first group")
    check_counts(x2, n2, where="second group")
    return TwoGroups(x1, n1, x2, n2) if n1 > 0 and n2 > 0 else None


def empty_group_reason(n1: int, n2: int) -> Caution:
    """Why two groups of which one is empty cannot be compared."""
    if n1 == n2 == 0:
        return Caution("no_data", "neither_assessed")
    return Caution("no_data", "first_not_assessed" if n1 == 0 else "second_not_assessed")


def few_cases_cautions(n1: int, n2: int) -> tuple[Caution, ...]:
    """A warning when the smaller group has fewer than ten cases."""
    fewest = min(n1, n2)
    if fewest >= FEW_CASES:
        return ()
    return (Caution("small_sample", "few_cases", {"n": fewest}),)


def _standardised(distance: float, variance: float) -> float:
    if abs(distance) < 1e-15:  # the hypothesis is the estimate, whatever its variance
        return 0.0
    return distance / sqrt(variance) if variance > 0.0 else inf * distance


def shares_at_ratio(groups: TwoGroups, ratio: float) -> tuple[float, float]:
    """Maximum-likelihood shares among those with ``p1 = ratio * p2`` (the smaller root of a quadratic)."""
    n1, n2, x1, x2 = groups.n1, groups.n2, groups.x1, groups.x2
    events = x1 + x2
    b = ratio * (n1 + x2) + x1 + n2
    root = sqrt(max(0.0, b * b - 4.0 * ratio * (n1 + n2) * events))
    second = min(2.0 * events / (b + root), 1.0, 1.0 / ratio)
    return min(1.0, ratio * second), second


def ratio_statistic(groups: TwoGroups, ratio: float) -> float:
    """The standardised distance of ``p1`` from ``ratio * p2``; falls as ``ratio`` grows."""
    q1, q2 = shares_at_ratio(groups, ratio)
    variance = q1 * (1.0 - q1) / groups.n1 + ratio * ratio * q2 * (1.0 - q2) / groups.n2
    return _standardised(groups.p1 - ratio * groups.p2, max(0.0, variance) * groups.inflation)


def lowest_ratio(groups: TwoGroups, z: float) -> float:
    """The lower score limit of ``p1 / p2``; the upper one is one over that of the swapped groups.

    It is 0 when the first group has no adverse case.
    """
    if groups.x1 == 0:
        return 0.0

    def excess(log_ratio: float) -> float:
        return min(ratio_statistic(groups, exp(log_ratio)), 1e9) - z

    high = log(groups.p1 / groups.p2) if groups.x2 else log(groups.p1 * groups.n2)
    while excess(high) > 0.0:
        high += 1.0
    low = high - 1.0
    while excess(low) < 0.0:
        low -= 2.0
    return exp(crossing(excess, low, high, within=1e-13))
