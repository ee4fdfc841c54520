"""Everything said about two groups in one result, so that a screen and a report show the same numbers."""

from dataclasses import dataclass

from warehouse.analysis.difference import risk_difference
from warehouse.analysis.harm import NumberNeeded, number_needed_to_harm
from warehouse.analysis.odds_ratio import odds_ratio
from warehouse.analysis.proportion import proportion
from warehouse.analysis.ratio import risk_ratio
from warehouse.analysis.two_group_tests import (
    MOST_CASES_UNCONDITIONAL,
    TestMethod,
    TwoGroupTest,
    not_tested,
    two_group_test,
)
from warehouse.results import Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class TwoGroupComparison:
    """Two shares and how they differ; every part carries its own method, interval and warnings."""

    first: Estimate  # Share adverse in the first group (Wilson)
    second: Estimate  # Share adverse in the second group (Wilson)
    difference: Estimate  # First minus second (Newcombe)
    ratio: Estimate  # First over second (Miettinen-Nurminen)
    odds: Estimate  # Odds ratio (Woolf)
    needed: NumberNeeded  # Number needed to harm or benefit
    test: TwoGroupTest  # Boschloo's exact test, or Pearson's when there are too many cases for it


def compare_two_groups(
    x1: int, n1: int, x2: int, n2: int, *, level: float = 0.95, tested: bool = True
) -> TwoGroupComparison:
    """Compare ``x1`` of ``n1`` adverse cases with ``x2`` of ``n2`` in every customary way.

    Without ``tested`` there is no p value: for what shows none.

    Raises RequestError where a pair of counts or the level is impossible. Empty groups and zero cells never raise.
    """
    n = n1 + n2
    method: TestMethod = "boschloo" if n <= MOST_CASES_UNCONDITIONAL else "pearson"
    return TwoGroupComparison(
        first=proportion(x1, n1, level=level),
        second=proportion(x2, n2, level=level),
        difference=risk_difference(x1, n1, x2, n2, level=level),
        ratio=risk_ratio(x1, n1, x2, n2, level=level),
        odds=odds_ratio(x1, n1, x2, n2, level=level),
        needed=number_needed_to_harm(x1, n1, x2, n2, level=level),
        test=two_group_test(x1, n1, x2, n2, method=method) if tested else not_tested(n, method=method),
    )
