"""The ways of comparing two groups on the same cases, each giving the same kind of result."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from math import exp, sqrt

import numpy as np
from numpy.typing import NDArray

from warehouse.analysis.comparison import compare_two_groups
from warehouse.analysis.contrast import GroupContrast
from warehouse.analysis.firth import firth_logistic
from warehouse.analysis.group_pair import GroupPair
from warehouse.analysis.inputs import normal_p_value, z_value
from warehouse.analysis.logistic import LogisticFit
from warehouse.analysis.positivity import USUAL_LIMITS, Comparability, Limits, comparability
from warehouse.analysis.standardise import outcome_model, standardised_risks
from warehouse.analysis.stratified import Measure, Stratum, cmh_test, mantel_haenszel
from warehouse.analysis.weighting import Target, WeightedComparison, propensity_model, weighted_comparison
from warehouse.results import Caution, Estimate, Interval

TITLES = {
    "crude": "crude",
    "stratified": "stratified (Mantel-Haenszel)",
    "standardised": "standardised (logistic model)",
    "overlap": "overlap-weighted",
    "inverse": "inverse-probability-weighted",
}
"""Method -> its name on screens, in the order shown."""

PENALTY_MATTERS_TO = 100_000
"""Cases up to which the odds ratio is Firth's; with more, the plain model agrees with it to several digits."""

FEWEST_PLAIN = 40
"""Cases of the smaller group from which on stratified and standardised intervals held in trial runs of the proof."""

_OF_EVERYONE = ("standardised", "inverse")  # methods whose figures are about all the cases

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
    p_value: float | None  # Of no difference, by the test that belongs to the method; None without one, or unwanted
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
    is_tested: bool = True  # Whether anyone sees the p value of the crude comparison, which may be an exact one
    limits: Limits = USUAL_LIMITS  # From where on the groups are too unlike for an adjusted figure
    within: str = ""  # What cases are compared within, in words; empty where all are compared with all
    n_units: int = 0  # How many practices or clinicians that are; 0 likewise
    clusters: NDArray[np.intp] | None = None  # Number of each case's unit, where there are enough for the errors

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

    @cached_property
    def comparability(self) -> Comparability:
        """Whether the groups can be compared at all with what is adjusted for held alike."""
        return comparability(self.pair, self.overlap, self.limits)

    def _weighted(self, target: Target) -> WeightedComparison:
        return weighted_comparison(
            self.pair, target=target, level=self.level, model=self.propensity, small_sample=True, clusters=self.clusters
        )

    def result(self, method: str) -> MethodResult:
        """The comparison by one method, or why it is withheld.

        An adjusted figure is withheld where the groups are not comparable; those that stand for all the cases also
        where they are comparable in part, since the models would speak for cases that have no counterpart.
        """
        judged = self.comparability
        is_kept = not (judged.extrapolates and method in _OF_EVERYONE) and judged.grade != "none"
        if method == "crude" or is_kept or self.pair.emptiness():
            return self._as_it_holds(METHODS[method](self))
        code = "not_comparable" if judged.grade == "none" else "would_extrapolate"
        why = (Caution("withheld", code), *judged.why)
        plain = METHODS["crude"](self)
        nothing = replace(plain.difference, value=None, interval=None, p_value=None, warnings=why)
        return replace(
            plain,
            method=method,
            title=TITLES[method],
            population="",
            first=None,
            second=None,
            difference=nothing,
            ratio=replace(nothing, unit="ratio"),
            p_value=None,
            warnings=why,
        )

    def _as_it_holds(self, found: MethodResult) -> MethodResult:
        """The comparison, without an interval where trial runs of the proof showed that its interval does not hold."""
        if found.difference.interval is None:
            return found
        if self.clusters is not None and found.method in {"stratified", "standardised"}:
            why = Caution("withheld", "interval_not_clustered", {"title": self.within})
        elif found.method in {"stratified", "standardised"} and min(self.pair.sizes) < FEWEST_PLAIN:
            why = Caution("withheld", "interval_of_small_groups", {"fewest": FEWEST_PLAIN})
        else:
            return found
        bare = [
            one and replace(one, interval=None, p_value=None, warnings=(why, *one.warnings))
            for one in (found.first, found.second, found.difference, found.ratio)
        ]
        return replace(
            found,
            first=bare[0],
            second=bare[1],
            difference=bare[2] or found.difference,
            ratio=bare[3] or found.ratio,
            p_value=None,
            warnings=(why, *found.warnings),
        )


def crude(prepared: PreparedPair) -> MethodResult:
    """The two shares as they are."""
    found = compare_two_groups(*prepared.counts, level=prepared.level, tested=prepared.is_tested)
    return _result(
        "crude",
        _CRUDE_POPULATION,
        (found.first, found.second),
        (found.difference, found.ratio),
        (found.test.p_value, found.test.method),
    )


def stratified(prepared: PreparedPair) -> MethodResult:
    """Mantel-Haenszel over the strata."""
    difference, ratio = (
        stratified_estimate(prepared.strata, measure=measure, level=prepared.level, adjusted_for=prepared.stratified_by)
        for measure in ("risk_difference", "risk_ratio")
    )
    test = cmh_test(prepared.strata)
    return _result(
        "stratified",
        _STRATIFIED_POPULATION,
        (None, None),
        (difference, ratio),
        (test.p_value, test.method),
        prepared.stratified_by,
    )


def standardised(prepared: PreparedPair) -> MethodResult:
    """Standardised risks by a logistic model, Firth's where outcomes are separated."""
    found = standardised_risks(prepared.pair, level=prepared.level, model=prepared.outcome_model, small_sample=True)
    return _of_contrast("standardised", found)


METHODS: dict[str, Callable[[PreparedPair], MethodResult]] = {
    "crude": crude,
    "stratified": stratified,
    "standardised": standardised,
    "overlap": lambda prepared: _of_contrast("overlap", prepared.overlap.contrast),
    "inverse": lambda prepared: _of_contrast("inverse", prepared.inverse.contrast),
}


def _of_contrast(method: str, found: GroupContrast) -> MethodResult:
    """A result from two weighted or modelled values and their contrast."""
    return _result(
        method,
        found.population,
        (found.first, found.second),
        (found.difference, found.ratio),
        (found.difference.p_value, "normal test on the difference"),
        found.difference.adjusted_for,
    )


def _result(
    method: str,
    population: str,
    shares: tuple[Estimate | None, Estimate | None],
    contrasts: tuple[Estimate, Estimate],
    test: tuple[float | None, str],
    adjusted_for: tuple[str, ...] = (),
) -> MethodResult:
    return MethodResult(
        method=method,
        title=TITLES[method],
        population=population,
        first=shares[0],
        second=shares[1],
        difference=contrasts[0],
        ratio=contrasts[1],
        p_value=test[0],
        test=test[1],
        adjusted_for=adjusted_for,
        warnings=distinct(contrasts[0].warnings, contrasts[1].warnings),
    )


def distinct(*cautions: tuple[Caution, ...]) -> tuple[Caution, ...]:
    """The cautions, each once, in order."""
    return tuple(dict.fromkeys(caution for some in cautions for caution in some))


def stratified_estimate(
    strata: Sequence[Stratum], *, measure: Measure, level: float, adjusted_for: tuple[str, ...]
) -> Estimate:
    """The Mantel-Haenszel estimate over the strata.

    The variance of the difference is made of the events seen in the strata. With no event in a whole group (or nothing
    but events) that group adds next to nothing to it, and the interval would claim what ten cases cannot show; then it
    is left out, and the p value with it.
    """
    found = mantel_haenszel(strata, measure=measure, level=level, adjusted_for=adjusted_for)
    if found.interval is None or not _at_the_edge(strata):
        return found
    return replace(
        found,
        interval=None,
        p_value=None,
        warnings=(Caution("small_sample", "interval_far_too_narrow"), *found.warnings),
    )


def _at_the_edge(strata: Sequence[Stratum]) -> bool:
    """Whether a group has no event, or only events, in the strata that hold both groups."""
    used = [stratum for stratum in strata if stratum.informative]
    first = sum(stratum.x1 for stratum in used), sum(stratum.n1 for stratum in used)
    second = sum(stratum.x2 for stratum in used), sum(stratum.n2 for stratum in used)
    return any(x in {0, n} for x, n in (first, second))


def adjusted_odds_ratio(prepared: PreparedPair) -> Estimate:
    """Odds ratio by Firth's logistic model with its profile interval; with very many cases by the plain model."""
    pair = prepared.pair
    reason = pair.emptiness()
    if prepared.comparability.grade == "none":
        reason = reason or Caution("withheld", "not_comparable")
    if reason:
        return pair.nothing(estimand="odds ratio of going adverse", method="logistic regression", reason=reason)
    plain = plain_odds_ratio(prepared) if pair.n > PENALTY_MATTERS_TO else None
    if plain is not None:
        return plain
    group = f"{pair.labels[0]} against {pair.labels[1]}"
    covariates = np.column_stack([pair.first.astype(np.float64), pair.design.matrix[:, 1:]])
    names = [group, *pair.design.names[1:]]
    fit = firth_logistic(covariates, pair.outcome, names=names, level=prepared.level, profile=[group])
    return fit.term(group).odds_ratio


def plain_odds_ratio(prepared: PreparedPair) -> Estimate | None:
    """Odds ratio of the first group against the second by the outcome model, with Wald's interval and test.

    Gives the estimate in the unit ``ratio``; None where there is no plain fit, so that the caller may penalise.
    """
    pair, fit = prepared.pair, prepared.outcome_model
    if fit is None or fit.separated or fit.penalised:
        return None
    error = sqrt(max(0.0, float(fit.covariance[1, 1])))
    if error == 0.0:
        return None
    value, half = float(fit.coefficients[1]), z_value(prepared.level) * error
    return Estimate(
        estimand=f"odds ratio of going adverse, {pair.labels[0]} against {pair.labels[1]}",
        value=exp(value),
        interval=Interval(exp(value - half), exp(value + half), prepared.level),
        method=f"{fit.method}, Wald interval and test",
        n=pair.n,
        left_out=pair.left_out,
        p_value=normal_p_value(value / error),
        unit="ratio",
        adjusted_for=pair.design.names[1:],
    )
