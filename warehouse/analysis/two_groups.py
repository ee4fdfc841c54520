"""Two groups of cases to compare, and what to say when one of them is empty or small."""

from __future__ import annotations

from dataclasses import dataclass

from warehouse.analysis.inputs import check_counts
from warehouse.analysis.proportion import FEW_CASES
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


def empty_group_reason(n1: int, n2: int) -> str:
    """In words, why two groups of which one is empty cannot be compared."""
    if n1 == n2 == 0:
        return "Neither group has an assessed case, so there is nothing to compare."
    return f"The {'first' if n1 == 0 else 'second'} group has no assessed case, so there is nothing to compare."


def few_cases_cautions(n1: int, n2: int) -> tuple[Caution, ...]:
    """A warning when the smaller group has fewer than ten cases."""
    fewest = min(n1, n2)
    if fewest >= FEW_CASES:
        return ()
    noun = "case" if fewest == 1 else "cases"
    return (Caution("small_sample", f"The smaller group has only {fewest} {noun}: read the whole interval."),)
