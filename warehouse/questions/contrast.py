"""One group before another, on the same cases: crude, stratified, standardised and weighted, side by side."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
import polars as pl

from warehouse.analysis.balance import Balance, balances
from warehouse.analysis.difference import risk_difference
from warehouse.analysis.evalue import EValue, e_value_from_risk_ratio
from warehouse.analysis.group_pair import pair_groups
from warehouse.analysis.inputs import Covariate
from warehouse.analysis.multiplicity import Comparisons, adjust_p_values
from warehouse.analysis.positivity import USUAL_LIMITS, Comparability, Limits, Positivity, positivity
from warehouse.analysis.ratio import rate_ratio
from warehouse.analysis.stratified import ChiSquaredTest, Stratum, breslow_day_test
from warehouse.errors import RequestError
from warehouse.marts.grouping import DECIDED_LATER, Grouping, check_group, group_label, grouping
from warehouse.marts.reader import Reader
from warehouse.outcomes.definition import Definition
from warehouse.plans.covariates import (
    ADJUSTABLE,
    DEFAULT_ADJUSTMENT,
    NOT_MEASURED,
    adjustables,
    check_strata,
    default_strata,
)
from warehouse.plans.planned_or_explored import Standing, stand
from warehouse.plans.question import Question, Stamp, Stamped, stamp_of
from warehouse.questions.case_table import case_table
from warehouse.questions.methods import METHODS, MethodResult, PreparedPair, adjusted_odds_ratio, distinct
from warehouse.results import Caution, Estimate

OUTCOME = "adverse outcome"
GROUP = "group"
CASE = "case_no"
UNIT = "unit"
"""Column of the practice or clinician within which cases are compared."""

UNTREATED = "untreated"
"""Code of the children observed without treatment: the one group that is compared though it is not treated."""

MONTHS = "time observed"  # column of the months a case was observed

UNEQUAL = 1.25
"""So many times as long one group is observed where they are compared per year too (common practice, no source)."""

FEWEST_UNITS = 5
"""Practices or clinicians from which on errors rest on how far these differ; fewer are taken as they are (trial runs
of the proof: with three, intervals that do so are too wide to say anything)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Within:
    """Practices or clinicians that are held alike."""

    title: str = ""  # `practice` or `clinician`; empty where all cases are compared with all
    n: int = 0  # How many there are
    is_clustered: bool = False  # Whether the errors rest on how far they differ, or are about these alone
    across: Estimate | None = None  # The primary difference had they not been held alike


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownAt:
    """Groups taken as known at a time after the start, among the cases observed as long."""

    months: float  # The time
    ended: tuple[int, int]  # Cases of each group left out since they were not observed as long, as far as is known
    undated: int  # Cases left out since it is not recorded when a later phase began


@dataclass(frozen=True, slots=True, kw_only=True)
class PairComparison(Stamped):
    """Two groups compared in every customary way on the same cases."""

    question: Question  # What was asked
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
    comparability: Comparability  # Whether they can be compared with what is adjusted for held alike
    landmark: KnownAt | None  # When the groups were taken as known; None where they are as they became
    within: Within  # Within what cases were compared, and what difference that makes
    observed: tuple[float | None, float | None]  # Mean months observed of the cases assessed, first and second group
    # Adverse cases per year observed, first over second, as they came; None where both were observed for as long
    per_year: Estimate | None
    e_value: EValue  # How strong unmeasured confounding would have to be to explain the primary ratio away
    adjusted_for: tuple[str, ...]  # What is adjusted for, in words
    not_adjusted_for: tuple[str, ...]  # What is recorded but was not adjusted for here
    not_measured: tuple[str, ...]  # What no record holds
    n: int  # Complete cases, which every method uses
    left_out: Mapping[str, int]  # Reason -> cases not used, of the cases started in the two groups
    in_both: int  # Cases left out because they belong to both groups
    standing: Standing  # Planned or explored, and how many comparisons were made
    cautions: tuple[Caution, ...]  # What to keep in mind

    def method(self, name: str) -> MethodResult:
        """The result of one method."""
        return next(result for result in self.methods if result.method == name)

    @property
    def answer(self) -> MethodResult:
        """The result of the primary method."""
        return self.method(self.primary)


def compare_pair(reader: Reader, question: Question, *, tested: bool = True) -> PairComparison:
    """Compare the first group with the second.

    Estimand of each method: see :mod:`warehouse.questions.methods`. All of them use the same cases, those with an
    outcome and every variable adjusted for; what that leaves out is counted, and the crude difference over all cases
    assessed stands beside it. Where a registered plan lists the comparison, its strata and primary analysis apply
    unless others are asked for.
    Without ``tested`` the crude comparison gets no p value: for what shows none.

    Empty groups, zero cells and separated groups give results whose value is None and whose warnings say why. Raises
    RequestError: a name does not exist.
    """
    stamp = stamp_of(reader, question)
    settled = settle(question, stamp)
    codes_of(reader, settled)  # a group that does not exist is no look
    standing = stand(reader, [settled])
    plan = standing.plan.plan if standing.plan else None
    if plan and settled.strata is None and plan.strata:
        settled = replace(settled, strata=plan.strata)
    settled = with_strata(settled)
    primary = settled.method or (plan.primary if plan else "overlap")
    cases = two_group_frame(reader, settled, stamp.definition)
    limits = plan.limits if plan else USUAL_LIMITS
    with one_thread():
        prepared = prepared_pair(cases, adjust=settled.adjust or (), level=stamp.level, limits=limits)
        if not (tested and prepared.comparability.grade != "none"):
            prepared = replace(prepared, is_tested=False)  # which forgets the models fitted, if any were
        return _pair(stamp, settled, cases, prepared, primary, standing)


def usual_adjustment(by: str, usual: Iterable[str] = DEFAULT_ADJUSTMENT) -> tuple[str, ...]:
    """The usual variables, without those that the groups are made of."""
    return tuple(item.name for item in adjustables(usual) if by not in {item.name, item.banded})


def settle(question: Question, stamp: Stamp) -> Question:
    """The question as it is put on record: the definition with its version, and what is adjusted for by name."""
    adjust = usual_adjustment(question.by, stamp.usual) if question.adjust is None else question.adjust
    return replace(question, definition=stamp.definition.name, adjust=adjust)


def with_strata(settled: Question) -> Question:
    """The same with the strata by name: those asked for, else the usual ones of what is adjusted for."""
    strata = default_strata(settled.adjust or ()) if settled.strata is None else check_strata(settled.strata)
    return replace(settled, strata=tuple(column for column in strata if column != settled.by))


@contextmanager
def one_thread() -> Iterator[None]:
    """Keep matrix products to one thread.

    The models work on blocks that fit a core's cache; several threads only wait for each other there, and the sums of
    one thread do not hang on how many cores a machine has.
    """
    from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]

    with threadpool_limits(limits=1, user_api="blas"):
        yield


def _pair(
    stamp: Stamp, question: Question, cases: TwoGroupFrame, prepared: PreparedPair, primary: str, standing: Standing
) -> PairComparison:
    known = pl.col(OUTCOME).is_not_null()
    methods = tuple(map(prepared.result, METHODS))
    answer = next(result for result in methods if result.method == primary)
    assessed = cases.sizes(known)
    adverse = cases.sizes(known & pl.col(OUTCOME))
    missing = cases.sizes(~known & pl.col("is_due"))
    alike = balances(prepared.pair, prepared.overlap.weights, prepared.inverse.weights)
    return PairComparison(
        stamp=stamp,
        question=question,
        by=grouping(question.by),
        labels=cases.labels,
        started=cases.started,
        missing_due=missing,
        assessed=assessed,
        crude_of_all=risk_difference(adverse[0], assessed[0], adverse[1], assessed[1], level=prepared.level),
        methods=methods,
        primary=primary,
        odds_ratio=adjusted_odds_ratio(prepared),
        strata=prepared.strata,
        stratified_by=prepared.stratified_by,
        homogeneity=breslow_day_test(prepared.strata),
        balance_overlap=alike[0],
        balance_inverse=alike[1],
        overlap=positivity(prepared.pair, prepared.inverse),
        comparability=prepared.comparability,
        landmark=cases.landmark,
        within=_within(cases, prepared, question, primary),
        observed=cases.months(known),
        per_year=_per_year(adverse, assessed, cases.months(known), prepared.level),
        e_value=e_value_from_risk_ratio(answer.ratio),
        adjusted_for=cases.titles,
        not_adjusted_for=tuple(item.title for item in adjustables(stamp.recorded) if item.title not in cases.titles),
        not_measured=NOT_MEASURED,
        n=prepared.pair.n,
        left_out=prepared.pair.left_out,
        in_both=cases.in_both,
        standing=standing,
        cautions=_cautions(question, stamp.definition, prepared, missing),
    )


def _within(cases: TwoGroupFrame, prepared: PreparedPair, question: Question, primary: str) -> Within:
    if not prepared.n_units:
        return Within()
    apart = prepared_pair(
        replace(cases, unit=""), adjust=question.adjust or (), level=prepared.level, limits=prepared.limits
    )
    apart = replace(apart, is_tested=False)
    return Within(
        title=prepared.within,
        n=prepared.n_units,
        is_clustered=prepared.clusters is not None,
        across=apart.result("overlap" if primary == "crude" else primary).difference,
    )


def _per_year(
    adverse: tuple[int, int], n: tuple[int, int], months: tuple[float | None, float | None], level: float
) -> Estimate | None:
    one, two = months
    if one is None or two is None or max(one, two) < UNEQUAL * min(one, two):
        return None
    return rate_ratio(adverse[0], n[0] * one / 12.0, adverse[1], n[1] * two / 12.0, level=level)


def _cautions(
    question: Question, definition: Definition, prepared: PreparedPair, missing: tuple[int, int]
) -> tuple[Caution, ...]:
    found = [Caution("approximation", item.note) for item in adjustables(question.adjust or ()) if item.note]
    if definition.family != "vertical":
        found.append(Caution("approximation", "secondary_outcome", {"family": definition.family}))
    if UNTREATED in question.pair:
        found.append(Caution("approximation", "treated_against_untreated"))
    if question.by in DECIDED_LATER:
        code = "grouping_decided_later" if question.landmark is None else "change_before_landmark"
        found.append(Caution("approximation", code))
    if not question.selection.is_sample:
        found.append(Caution("approximation", "hand_picked"))
    if sum(missing):
        found.append(Caution("approximation", "outcomes_missing", {"n": sum(missing)}))
    return distinct(tuple(found), prepared.pair.design.warnings)


@dataclass(frozen=True, slots=True, kw_only=True)
class SingleComparison(Stamped):
    """Two groups compared on one outcome."""

    question: Question  # What was asked
    labels: tuple[str, str]  # Names of the two groups
    crude: MethodResult  # The shares as they are, on the complete cases
    answer: MethodResult  # The method asked for, on the same cases (the crude one itself where that was asked for)
    n: int  # Complete cases
    left_out: Mapping[str, int]  # Reason -> cases not used


def compare_single(reader: Reader, question: Question, *, limits: Limits = USUAL_LIMITS) -> SingleComparison:
    """Compare by the crude method and by that of the question, without the rest: for subgroups and further outcomes.

    Nothing is written to the record of looks. Raises RequestError: a name does not exist.
    """
    stamp = stamp_of(reader, question)
    settled = with_strata(settle(question, stamp))
    cases = two_group_frame(reader, settled, stamp.definition)
    with one_thread():
        prepared = prepared_pair(cases, adjust=settled.adjust or (), level=stamp.level, limits=limits)
        crude = METHODS["crude"](prepared)
        answer = crude if settled.method == "crude" else prepared.result(settled.method or "overlap")
    return SingleComparison(
        stamp=stamp,
        question=settled,
        labels=cases.labels,
        crude=crude,
        answer=answer,
        n=prepared.pair.n,
        left_out=prepared.pair.left_out,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class AllOutcomes(Stamped):
    """Two groups compared on every outcome definition in force; the stamp names the headline one."""

    method: str  # The method beside the crude one
    rows: tuple[SingleComparison, ...]  # One an outcome, those of the headline's family first
    secondary: tuple[bool, ...]  # Of `rows`, whether each is of another family than the headline
    corrected: Comparisons  # P values, corrected for the number of outcomes
    standing: Standing  # Planned or explored
    adjusted_for: tuple[str, ...]  # What is adjusted for, names


def compare_all_outcomes(reader: Reader, question: Question) -> AllOutcomes:
    """Compare two groups on every outcome by the crude method and one other, the headline's family first.

    Raises RequestError: a name does not exist.
    """
    stamp = stamp_of(reader, question)
    family = stamp.definition.family
    listed = sorted(reader.registry, key=lambda one: one.family != family)
    rows = tuple(compare_single(reader, replace(question, definition=one.id, strata=None)) for one in listed)
    return AllOutcomes(
        stamp=stamp,
        method=question.method or "overlap",
        rows=rows,
        secondary=tuple(one.family != family for one in listed),
        corrected=adjust_p_values([row.answer.p_value for row in rows], names=[row.definition.id for row in rows]),
        standing=stand(reader, [row.question for row in rows]),
        adjusted_for=settle(question, stamp).adjust or (),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TwoGroupFrame:
    """Cases of two groups, before anything is left out."""

    # One row a case: `case_no`, `group` (a label), `adverse outcome`, `is_due`, the variables adjusted for under the
    # names people read, and the strata columns under `stratum_column`
    frame: pl.DataFrame
    labels: tuple[str, str]  # Names of the first and of the second group
    titles: tuple[str, ...]  # Names of the variables adjusted for, as in the frame
    strata: tuple[str, ...]  # Strata columns
    in_both: int  # Cases left out because they belong to both groups
    unit: str = ""  # What the column `UNIT` holds, in words; empty where cases are compared whatever it holds
    landmark: KnownAt | None = None  # When the groups were taken as known; who had ended by then is not in the frame

    @property
    def started(self) -> tuple[int, int]:
        """Cases started in each group, those that had ended by a landmark time too."""
        ended = self.landmark.ended if self.landmark else (0, 0)
        one, two = self.sizes(pl.lit(value=True))
        return one + ended[0], two + ended[1]

    def sizes(self, condition: pl.Expr) -> tuple[int, int]:
        """Cases of the first and of the second group that meet a condition."""
        counts = [(condition & (pl.col(GROUP) == label)).sum().alias(label) for label in self.labels]
        first, second = self.frame.select(counts).row(0)
        return int(first), int(second)

    def months(self, condition: pl.Expr) -> tuple[float | None, float | None]:
        """Mean months observed of the cases of each group that meet a condition; None where none is known."""
        if MONTHS not in self.frame.columns:
            return None, None
        means = [pl.col(MONTHS).filter(condition & (pl.col(GROUP) == label)).mean() for label in self.labels]
        first, second = (self.frame.select(mean.alias("mean")).item() for mean in means)
        return first, second


def two_group_frame(reader: Reader, question: Question, definition: Definition) -> TwoGroupFrame:
    """Read the cases of the two groups of a settled question.

    Raises RequestError: there is no such group, or the variable adjusted for is the grouping itself.
    """
    way, by = grouping(question.by), question.by
    codes = codes_of(reader, question)
    adjust, strata = question.adjust or (), question.strata or ()
    _refuse_own_grouping(by, adjust, strata)
    labels = (group_label(reader, way, codes[0]), group_label(reader, way, codes[1]))
    items = adjustables(adjust)
    among = {by: codes} if way.column else None
    unit = "" if by in {"practice", question.within} else question.within.removesuffix("none")
    items = tuple(item for item in items if item.name != unit)
    columns = [by, *(item.name for item in items), *strata, *([unit] if unit else []), "months_observed"]
    table = case_table(reader, definition, question.selection, columns=columns, among=among, landmark=question.landmark)
    if by == "appliance_category" and UNTREATED in codes and question.selection.comparison == "treated":
        others = replace(question.selection, comparison="untreated")
        untreated = case_table(reader, definition, others, columns=columns)
        table = pl.concat([table, untreated.with_columns(pl.lit(UNTREATED).cast(table.schema[by]).alias(by))])
    table, in_both = _with_group(table, by, codes, labels, several=way.column is None)
    landmark = None
    if question.landmark is not None:
        table, landmark = _observed_until(table, question.landmark, labels)
    layers = tuple(dict.fromkeys(strata))
    renamed = [pl.col(item.name).alias(item.title) for item in items]
    stratified = [pl.col(column).alias(stratum_column(column)) for column in layers]
    units = pl.col(unit) if unit else pl.lit(None, pl.String)
    months = pl.col("months_observed").alias(MONTHS)
    held = [pl.col("adverse").alias(OUTCOME), pl.col("is_due"), units.alias(UNIT), months, *renamed, *stratified]
    return TwoGroupFrame(
        frame=table.select(CASE, GROUP, *held),
        labels=labels,
        titles=tuple(item.title for item in items),
        strata=layers,
        in_both=in_both,
        unit=unit,
        landmark=landmark,
    )


def _observed_until(table: pl.DataFrame, months: float, labels: tuple[str, str]) -> tuple[pl.DataFrame, KnownAt]:
    """The cases not known to have ended before a landmark time, whose groups then are known; and who is left out."""
    dated = table.filter(~pl.col("is_undated"))
    ended = pl.col("adverse").is_not_null() & (pl.col("months_observed") < months).fill_null(value=True)
    one, two = (dated.filter(ended, pl.col(GROUP) == label).height for label in labels)
    undated = table.height - dated.height
    return dated.filter(~ended), KnownAt(months=months, ended=(one, two), undated=undated)


def codes_of(reader: Reader, question: Question) -> tuple[str, str]:
    """The codes of two groups, checked against those the grouping can have and those that occur.

    Raises RequestError: there is no such group.
    """
    way, codes = grouping(question.by), (question.first, question.second)
    present: list[str] = []
    if way.column is not None:
        rows = reader.connection.rows(f"select distinct cast({way.column} as varchar) from mart_cases")
        present = [value for (value,) in rows if value is not None]
    return check_group(way.name, codes[0], present=present), check_group(way.name, codes[1], present=present)


def prepared_pair(
    cases: TwoGroupFrame, *, adjust: Sequence[str], level: float, limits: Limits = USUAL_LIMITS
) -> PreparedPair:
    """Complete cases of the two groups, with their strata and the model of the groups.

    A case counts for every method or for none: it needs an outcome, every variable adjusted for and every strata
    column, and its practice (or clinician) must have cases of the other group too, where there are several of them.
    Who is left out is counted by reason.
    """
    frame = cases.frame
    lacking = {"ended before the landmark time": sum(cases.landmark.ended) if cases.landmark else 0}
    for column in cases.strata:
        is_missing = pl.col(stratum_column(column)).is_null()
        lacking |= _lost(frame, is_missing, f"{_strata_title(column)} missing")
        frame = frame.filter(~is_missing)
    covariates = [one for one in model_covariates(adjust) if one.name in cases.titles]
    n_units = 0
    if cases.unit:
        frame = frame.rename({UNIT: cases.unit})
        complete = pl.all_horizontal(pl.col(OUTCOME, *(one.name for one in covariates)).is_not_null())
        within = frame.filter(complete).filter(pl.col(GROUP).n_unique().over(cases.unit) > 1)
        n_units = within[cases.unit].n_unique()
        if frame.filter(complete)[cases.unit].n_unique() > 1:
            alone = complete & ~pl.col(cases.unit).is_in(within[cases.unit].unique().to_list()).fill_null(value=False)
            lacking |= _lost(frame, alone, f"only one of the groups in the {cases.unit}")
            frame = frame.filter(~alone)
        else:
            n_units = 0
    held = [*covariates, Covariate(name=cases.unit, kind="category")] if n_units > 1 else covariates
    pair = pair_groups(
        frame, outcome=OUTCOME, group=GROUP, first=cases.labels[0], second=cases.labels[1], covariates=held
    )
    no_outcome = int(cases.frame[OUTCOME].is_null().sum())
    others = {reason: n for reason, n in pair.left_out.items() if reason != f"{OUTCOME} missing"}
    counted: Mapping[str, int] = MappingProxyType(
        {reason: n for reason, n in ({f"{OUTCOME} missing": no_outcome} | lacking | others).items() if n}
    )
    pair = replace(pair, left_out=counted)
    kept = frame.filter(pl.Series(pair.design.kept, dtype=pl.Boolean))
    layers = [*([cases.unit] if n_units > 1 else []), *map(stratum_column, cases.strata)]
    clusters = None
    if n_units >= FEWEST_UNITS:
        clusters = np.unique(kept[cases.unit].to_numpy(), return_inverse=True)[1]
    return PreparedPair(
        pair=pair,
        strata=_strata(kept, cases.labels[0], layers),
        stratified_by=(*([cases.unit] if n_units > 1 else []), *(_strata_title(column) for column in cases.strata)),
        level=level,
        limits=limits,
        within=cases.unit if n_units else "",
        n_units=n_units,
        clusters=clusters,
    )


def _lost(frame: pl.DataFrame, without: pl.Expr, reason: str) -> dict[str, int]:
    """Cases with an outcome that go for a reason, where there are any."""
    lost = int(frame.select((without & pl.col(OUTCOME).is_not_null()).sum()).item())
    return {reason: lost} if lost else {}


def model_covariates(adjust: Sequence[str]) -> list[Covariate]:
    """How the variables enter a model, under the names a person reads."""
    return [replace(item.covariate, name=item.title) for item in adjustables(adjust)]


def stratum_column(column: str) -> str:
    """Name of a strata column in the frame: a variable can be adjusted for and stratified by at once."""
    return f"stratum {column}"


def _refuse_own_grouping(by: str, adjust: Sequence[str], strata: Sequence[str]) -> None:
    same = {by, *(item.name for item in ADJUSTABLE.values() if item.banded == by)}
    both = sorted(same & {*adjust, *strata})
    if both:
        found = f"the groups are made by {by}, so they cannot be adjusted for {', '.join(both)}"
        raise RequestError(found, expected="other variables", remedy="leave it out of --adjust and --strata")


def _with_group(
    table: pl.DataFrame, by: str, codes: tuple[str, str], labels: tuple[str, str], *, several: bool
) -> tuple[pl.DataFrame, int]:
    """The table with the group as a label; where a case can have several groups, those with both are left out."""
    if not several:
        named = pl.col(by).cast(pl.String).replace_strict(list(codes), list(labels), default=None)
        return table.with_columns(named.alias(GROUP)), 0
    listed = (" + " + pl.col(by) + " + ").fill_null("")
    has = [listed.str.contains(f" + {code} + ", literal=True) for code in codes]
    in_both = table.filter(has[0] & has[1]).height
    named = pl.when(has[0]).then(pl.lit(labels[0])).otherwise(pl.lit(labels[1]))
    return table.filter(has[0] != has[1]).with_columns(named.alias(GROUP)), in_both


def _strata_title(column: str) -> str:
    known = ADJUSTABLE.get(column)
    return known.title if known else column.replace("_", " ")


def _strata(kept: pl.DataFrame, first: str, columns: Sequence[str]) -> tuple[Stratum, ...]:
    is_first = pl.col(GROUP) == first
    counts = (
        (pl.col(OUTCOME) & is_first).sum().alias("x1"),
        is_first.sum().alias("n1"),
        (pl.col(OUTCOME) & ~is_first).sum().alias("x2"),
        (~is_first).sum().alias("n2"),
    )
    if not columns:
        rows = kept.select(*counts).iter_rows()
        return tuple(Stratum("all cases", *row) for row in rows)
    grouped = kept.group_by(columns).agg(*counts).sort(columns)
    width = len(columns)
    return tuple(Stratum(" / ".join(map(str, row[:width])), *row[width:]) for row in grouped.iter_rows())
