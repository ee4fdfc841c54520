"""The five ways of comparing two groups on the same cases, each giving the same kind of result."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

from warehouse.analysis.comparison import compare_two_groups
from warehouse.analysis.standardise import outcome_model, standardised_risks
from warehouse.analysis.stratified import cmh_test
from warehouse.analysis.weighting import propensity_model, weighted_comparison
from warehouse.questions.strata import stratified_estimate

if TYPE_CHECKING:
    from collections.abc import Callable

    from warehouse.analysis.contrast import GroupContrast
    from warehouse.analysis.group_pair import GroupPair
    from warehouse.analysis.logistic import LogisticFit
    from warehouse.analysis.stratified import Stratum
    from warehouse.analysis.weighting import Target, WeightedComparison
    from warehouse.results import Caution, Estimate

TITLES = {
    "crude": "crude",
    "stratified": "stratified (Mantel-Haenszel)",
    "standardised": "standardised (logistic model)",
    "overlap": "overlap-weighted",
    "inverse": "inverse-probability-weighted",
}
"""Method -> its name on screens, in the order shown."""

_CRUDE_POPULATION = "among the cases as they came"
_STRATIFIED_POPULATION = "within strata, averaged over those that hold both groups"


@dataclass(frozen=True, slots=True, kw_only=True)
class MethodResult:
    """Two groups compared by one method."""

    method: str  # Key of `TITLES`
    title: str  # Its name on screens
    population: str  # Whom the numbers are about
    first: Estimate | None  # Share adverse in the first group; None where the method gives no shares
    second: Estimate | None  # The same in the second
    difference: Estimate  # First minus second
    ratio: Estimate  # First over second
    p_value: float | None  # Of no difference, by the test that belongs to the method; None where there is none
    test: str  # That test by its textbook name
    adjusted_for: tuple[str, ...]  # What the method adjusts for, in words
    warnings: tuple[Caution, ...]  # Cautions, each once


@dataclass(frozen=True, kw_only=True, eq=False)
class PreparedPair:
    """Complete cases of two groups with their strata, and the models the methods share, fitted once when needed."""

    pair: GroupPair  # The cases
    strata: tuple[Stratum, ...]  # Counts by stratum; all of them in one stratum where nothing is stratified by
    stratified_by: tuple[str, ...]  # What the strata are made of, in words
    level: float  # Level of the intervals

    @property
    def counts(self) -> tuple[int, int, int, int]:
        """Adverse and all cases of the first group, then of the second."""
        first, outcome = self.pair.first, self.pair.outcome
        n1, n2 = self.pair.sizes
        return int(outcome[first].sum()), n1, int(outcome[~first].sum()), n2

    @cached_property
    def propensity(self) -> LogisticFit | None:
        """Model of being in the first group, Firth's where groups are separated; None where a group is empty."""
        return None if self.pair.emptiness() else propensity_model(self.pair)

    @cached_property
    def outcome_model(self) -> LogisticFit | None:
        """Model of the outcome, Firth's where outcomes are separated; None where a group is empty."""
        return None if self.pair.emptiness() else outcome_model(self.pair)

    @cached_property
    def overlap(self) -> WeightedComparison:
        """The comparison with overlap weights."""
        return self._weighted("overlap")

    @cached_property
    def inverse(self) -> WeightedComparison:
        """The comparison with inverse probability weights, for all the cases."""
        return self._weighted("everyone")

    def _weighted(self, target: Target) -> WeightedComparison:
        return weighted_comparison(self.pair, target=target, level=self.level, model=self.propensity)


def crude(prepared: PreparedPair) -> MethodResult:
    """The two shares as they are."""
    found = compare_two_groups(*prepared.counts, level=prepared.level)
    return MethodResult(
        method="crude",
        title=TITLES["crude"],
        population=_CRUDE_POPULATION,
        first=found.first,
        second=found.second,
        difference=found.difference,
        ratio=found.ratio,
        p_value=found.test.p_value,
        test=found.test.method,
        adjusted_for=(),
        warnings=distinct(found.difference.warnings, found.ratio.warnings),
    )


def stratified(prepared: PreparedPair) -> MethodResult:
    """Mantel-Haenszel over the strata."""
    names = prepared.stratified_by
    difference, ratio = (
        stratified_estimate(prepared.strata, measure=measure, level=prepared.level, adjusted_for=names)
        for measure in ("risk_difference", "risk_ratio")
    )
    test = cmh_test(prepared.strata)
    return MethodResult(
        method="stratified",
        title=TITLES["stratified"],
        population=_STRATIFIED_POPULATION,
        first=None,
        second=None,
        difference=difference,
        ratio=ratio,
        p_value=test.p_value,
        test=test.method,
        adjusted_for=names,
        warnings=distinct(difference.warnings, ratio.warnings),
    )


def standardised(prepared: PreparedPair) -> MethodResult:
    """Standardised risks by a logistic model, Firth's where outcomes are separated."""
    found = standardised_risks(prepared.pair, level=prepared.level, model=prepared.outcome_model)
    return of_contrast("standardised", found)


def overlap(prepared: PreparedPair) -> MethodResult:
    """Overlap weights."""
    return of_contrast("overlap", prepared.overlap.contrast)


def inverse(prepared: PreparedPair) -> MethodResult:
    """Inverse probability weights, for all the cases."""
    return of_contrast("inverse", prepared.inverse.contrast)


METHODS: dict[str, Callable[[PreparedPair], MethodResult]] = {
    "crude": crude,
    "stratified": stratified,
    "standardised": standardised,
    "overlap": overlap,
    "inverse": inverse,
}


def of_contrast(method: str, found: GroupContrast) -> MethodResult:
    """A result from two weighted or modelled values and their contrast."""
    return MethodResult(
        method=method,
        title=TITLES[method],
        population=found.population,
        first=found.first,
        second=found.second,
        difference=found.difference,
        ratio=found.ratio,
        p_value=found.difference.p_value,
        test="normal test on the difference",
        adjusted_for=found.difference.adjusted_for,
        warnings=distinct(found.difference.warnings, found.ratio.warnings),
    )


def distinct(*cautions: tuple[Caution, ...]) -> tuple[Caution, ...]:
    """The cautions, each once, in order."""
    return tuple(dict.fromkeys(caution for some in cautions for caution in some))
