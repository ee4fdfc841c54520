"""One group before another, on the same cases: crude, stratified, standardised and weighted, side by side."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from warehouse.analysis.balance import balances
from warehouse.analysis.difference import risk_difference
from warehouse.analysis.evalue import e_value_from_risk_ratio
from warehouse.analysis.firth import firth_logistic
from warehouse.analysis.positivity import positivity
from warehouse.analysis.stratified import breslow_day_test
from warehouse.errors import RequestError
from warehouse.marts.grouping import grouping
from warehouse.plans.planned_or_explored import stand
from warehouse.plans.question import Question
from warehouse.questions.covariates import (
    ADJUSTABLE,
    DEFAULT_ADJUSTMENT,
    NOT_MEASURED,
    adjustables,
    check_strata,
    default_strata,
)
from warehouse.questions.group_names import check_group, group_label
from warehouse.questions.methods import METHODS, distinct
from warehouse.questions.odds import plain_odds_ratio
from warehouse.questions.prepare import OUTCOME, prepared_pair, two_group_frame
from warehouse.questions.resampled import resampled_methods
from warehouse.results import Caution
from warehouse.selection import Selection

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from warehouse.analysis.balance import Balance
    from warehouse.analysis.evalue import EValue
    from warehouse.analysis.positivity import Positivity
    from warehouse.analysis.stratified import ChiSquaredTest, Stratum
    from warehouse.marts.grouping import Grouping
    from warehouse.marts.reader import Reader
    from warehouse.outcomes.definition import Definition
    from warehouse.plans.planned_or_explored import Standing
    from warehouse.questions.methods import MethodResult, PreparedPair
    from warehouse.questions.prepare import TwoGroupFrame
    from warehouse.questions.resampled import Resampling
    from warehouse.results import Estimate

PENALTY_MATTERS_TO = 100_000
"""Cases up to which the odds ratio is Firth's; with more, the plain model agrees with it to several digits."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PairComparison:
    """Two groups compared in every customary way on the same cases."""

    question: Question  # What was asked
    definition: Definition  # The outcome definition
    growth_reference: str  # Name and provenance of the growth reference in force
    build: str  # The build read
    by: Grouping  # The grouping
    labels: tuple[str, str]  # Names of the first and of the second group
    started: tuple[int, int]  # Cases started in each group
    missing_due: tuple[int, int]  # Cases started in each group whose outcome is due but not known
    assessed: tuple[int, int]  # Cases with an outcome in each group
    crude_of_all: Estimate  # Crude difference over all cases assessed, also those that lack a variable adjusted for
    methods: tuple[MethodResult, ...]  # The five comparisons, crude first, all on the same complete cases
    primary: str  # Method whose number is the answer
    # Odds ratio by Firth's logistic model with its profile likelihood interval; with very many cases by the plain
    # model, which is the same there
    odds_ratio: Estimate
    strata: tuple[Stratum, ...]  # Counts by stratum
    stratified_by: tuple[str, ...]  # What the strata are made of, in words
    homogeneity: ChiSquaredTest  # Do the strata agree (Breslow-Day with Tarone's correction)?
    balance_overlap: Balance  # Balance before and after overlap weights
    balance_inverse: Balance  # Balance before and after inverse probability weights
    overlap: Positivity  # How far the groups overlap, judged on the inverse probability weights
    e_value: EValue  # How strong unmeasured confounding would have to be to explain the primary ratio away
    adjusted_for: tuple[str, ...]  # What is adjusted for, in words
    not_adjusted_for: tuple[str, ...]  # What is recorded but was not adjusted for here
    not_measured: tuple[str, ...]  # What no record holds
    n: int  # Complete cases, which every method uses
    left_out: Mapping[str, int]  # Reason -> cases not used, of the cases started in the two groups
    in_both: int  # Cases left out because they belong to both groups
    standing: Standing  # Planned or explored, and how many comparisons were made
    cautions: tuple[Caution, ...]  # What to keep in mind
    level: float  # Level of the intervals

    def method(self, name: str) -> MethodResult:
        """The result of one method."""
        return next(result for result in self.methods if result.method == name)

    @property
    def answer(self) -> MethodResult:
        """The result of the primary method."""
        return self.method(self.primary)


def compare_pair(
    reader: Reader,
    *,
    by: str,
    first: str,
    second: str,
    definition: str | None = None,
    selection: Selection | None = None,
    adjust: Sequence[str] | None = None,
    strata: Sequence[str] | None = None,
    primary: str | None = None,
    level: float = 0.95,
    resampling: Resampling | None = None,
) -> PairComparison:
    """Compare the first group with the second.

    Estimand of each method: see :mod:`warehouse.questions.methods`. All of them use the same cases, those with an
    outcome and every variable adjusted for; what that leaves out is counted, and the crude difference over all cases
    assessed stands beside it. Where a registered plan lists the comparison, its strata and primary analysis apply
    unless others are asked for.

    Args:
        reader: An open snapshot.
        by: Name of a grouping.
        first: Code of the group whose excess is asked about.
        second: Code of the group it is compared with.
        definition: Id of an outcome definition; the headline one where None.
        selection: Which cases; consecutive treated ones where None.
        adjust: Names of variables; the usual ones, without those the groups are made of, where None.
        strata: Columns to stratify by; chosen from the variables adjusted for where None.
        primary: The primary method; that of the plan, else ``overlap``, where None.
        level: Level of the intervals.
        resampling: Give the modelled and weighted comparisons bootstrap intervals; analytic ones where None.

    Returns:
        The comparison. Empty groups, zero cells and separated groups give results whose value is None and whose
        warnings say why.

    Raises:
        RequestError: A name does not exist, or the groups are the same.
    """
    chosen, way = reader.definition(definition), grouping(by)
    selection = selection or Selection()
    codes = codes_of(reader, way, (first, second))
    wanted = tuple(adjust) if adjust is not None else usual_adjustment(by)
    question = Question(outcome=chosen.name, by=by, first=first, second=second, selection=selection, adjust=wanted)
    standing = stand(reader, [question])
    plan = standing.plan.plan if standing.plan else None
    layers = check_strata(strata) if strata is not None else (plan and plan.strata) or default_strata(wanted)
    cases = two_group_frame(
        reader,
        by=by,
        codes=codes,
        labels=(group_label(reader, way, first), group_label(reader, way, second)),
        definition=chosen,
        selection=selection,
        adjust=wanted,
        strata=[column for column in layers if column != by],
    )
    with one_thread():
        prepared = prepared_pair(cases, adjust=wanted, level=level)
        return _result(
            reader,
            question=question,
            definition=chosen,
            way=way,
            cases=cases,
            prepared=prepared,
            primary=primary or (plan.primary if plan else "overlap"),
            standing=standing,
            resampling=resampling,
        )


def usual_adjustment(by: str) -> tuple[str, ...]:
    """The usual variables, without those that the groups are made of."""
    return tuple(item.name for item in adjustables(DEFAULT_ADJUSTMENT) if by not in {item.name, item.banded})


@contextmanager
def one_thread() -> Iterator[None]:
    """Keep matrix products to one thread.

    The models work on blocks that fit a core's cache; several threads only wait for each other there, and the sums of
    one thread do not hang on how many cores a machine has.
    """
    from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]

    with threadpool_limits(limits=1, user_api="blas"):
        yield


def codes_of(reader: Reader, way: Grouping, codes: tuple[str, str]) -> tuple[str, str]:
    """The codes of two groups, checked against those the grouping can have and those that occur.

    Raises:
        RequestError: There is no such group, or both are the same.
    """
    if codes[0] == codes[1]:
        found = f"{codes[0]!r} is compared with itself"
        raise RequestError(found, expected="two different groups", remedy="name another second group")
    if way.column is None:
        return check_group(way.name, codes[0]), check_group(way.name, codes[1])
    rows = reader.connection.rows(f"select distinct cast({way.column} as varchar) from mart_cases")
    present = [value for (value,) in rows if value is not None]
    return check_group(way.name, codes[0], present=present), check_group(way.name, codes[1], present=present)


def _result(
    reader: Reader,
    *,
    question: Question,
    definition: Definition,
    way: Grouping,
    cases: TwoGroupFrame,
    prepared: PreparedPair,
    primary: str,
    standing: Standing,
    resampling: Resampling | None,
) -> PairComparison:
    import polars as pl

    known = pl.col(OUTCOME).is_not_null()
    again = resampled_methods(prepared, resampling) if resampling else {}
    methods = tuple(again.get(name) or compare(prepared) for name, compare in METHODS.items())
    answer = next(result for result in methods if result.method == primary)
    assessed = cases.sizes(known)
    adverse = cases.sizes(known & pl.col(OUTCOME))
    missing = cases.sizes(~known & pl.col("is_due"))
    alike = balances(prepared.pair, prepared.overlap.weights, prepared.inverse.weights)
    return PairComparison(
        question=question,
        definition=definition,
        growth_reference=reader.growth_reference,
        build=reader.snapshot.build_id,
        by=way,
        labels=cases.labels,
        started=cases.sizes(pl.lit(value=True)),
        missing_due=missing,
        assessed=assessed,
        crude_of_all=risk_difference(adverse[0], assessed[0], adverse[1], assessed[1], level=prepared.level),
        methods=methods,
        primary=primary,
        odds_ratio=_odds_ratio(prepared),
        strata=prepared.strata,
        stratified_by=prepared.stratified_by,
        homogeneity=breslow_day_test(prepared.strata),
        balance_overlap=alike[0],
        balance_inverse=alike[1],
        overlap=positivity(prepared.pair, prepared.inverse),
        e_value=e_value_from_risk_ratio(answer.ratio),
        adjusted_for=cases.titles,
        not_adjusted_for=tuple(item.title for item in ADJUSTABLE.values() if item.title not in cases.titles),
        not_measured=NOT_MEASURED,
        n=prepared.pair.n,
        left_out=prepared.pair.left_out,
        in_both=cases.in_both,
        standing=standing,
        cautions=_cautions(question, definition, prepared, missing),
        level=prepared.level,
    )


def _odds_ratio(prepared: PreparedPair) -> Estimate:
    pair = prepared.pair
    empty = pair.emptiness()
    if empty:
        return pair.nothing(estimand="odds ratio of going adverse", method="logistic regression", reason=empty)
    plain = plain_odds_ratio(prepared) if pair.n > PENALTY_MATTERS_TO else None
    if plain is not None:
        return plain
    group = f"{pair.labels[0]} against {pair.labels[1]}"
    covariates = np.column_stack([pair.first.astype(np.float64), pair.design.matrix[:, 1:]])
    names = [group, *pair.design.names[1:]]
    fit = firth_logistic(covariates, pair.outcome, names=names, level=prepared.level, profile=[group])
    return fit.term(group).odds_ratio


def _cautions(
    question: Question, definition: Definition, prepared: PreparedPair, missing: tuple[int, int]
) -> tuple[Caution, ...]:
    found = [Caution("approximation", item.note) for item in adjustables(question.adjust) if item.note]
    if definition.family != "vertical":
        found.append(Caution("approximation", "secondary_outcome", {"family": definition.family}))
    if question.selection.selection != "consecutive":
        found.append(Caution("approximation", "hand_picked"))
    if sum(missing):
        found.append(Caution("approximation", "outcomes_missing", {"n": sum(missing)}))
    return distinct(tuple(found), prepared.pair.design.warnings)
