"""Groups by any grouping: shares, each against a stated reference group, and a trend where there is an order."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

from warehouse.analysis.age_curve import AgeCurve, age_curve
from warehouse.analysis.comparison import TwoGroupComparison, compare_two_groups
from warehouse.analysis.design import numbers
from warehouse.analysis.multiplicity import Comparisons, Correction, adjust_p_values
from warehouse.analysis.shrinkage import PartialPooling, partial_pooling
from warehouse.analysis.trend import TrendTest, cochran_armitage
from warehouse.analysis.two_group_tests import TestMethod, two_group_test
from warehouse.marts.grouping import DECIDED_LATER, check_group, is_known, is_ordered
from warehouse.marts.outcome_sql import outcomes_of
from warehouse.marts.reader import Reader
from warehouse.plans.planned_or_explored import Standing, stand
from warehouse.plans.question import Question, Stamped, stamp_of
from warehouse.questions.case_table import case_table
from warehouse.questions.contrast import one_thread
from warehouse.questions.methods import distinct
from warehouse.questions.shares import GroupRow, Rates, rates_by
from warehouse.results import Caution
from warehouse.store.quoting import statement

WITHOUT = "cases without it"
NOT_IN_GROUP = "not in the group"
"""Stands for the reference in a question, where each group is compared with the cases not in it."""

EXACT_TO = 20_000
"""Cases up to which Fisher's test is made; with more, Pearson's gives the same p value and takes no time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupComparison:
    """Groups compared with a reference group."""

    rates: Rates  # Shares of all groups, with denominator, definition, build and cases
    # Code of the reference group; None where there is none to compare with, or where every group is compared with
    # the cases that are not in it
    reference: str | None
    against: str  # The same as it stands in questions: `NOT_IN_GROUP` where there is no reference group
    reference_label: str  # Its name, or `cases without it`
    # Group code -> comparison with the reference; the reference itself is absent
    compared: dict[str, TwoGroupComparison]
    corrected: Comparisons  # P values of these comparisons, corrected for their number
    pooled: PartialPooling | None  # Shares partially pooled, to stand beside the raw ones; None where groups overlap
    trend: TrendTest | None  # Trend over the groups in order, with the score of each group; None without an order
    scores: dict[str, float]  # Group code -> score of the trend
    standing: Standing  # Planned or explored, and how many comparisons were made
    cautions: tuple[Caution, ...]  # What to keep in mind


def compare_groups(
    reader: Reader,
    question: Question,
    *,
    correction: Correction | None = None,
    is_recorded: bool = True,
    is_alone: bool = False,
) -> GroupComparison:
    """Share adverse in each group, against a reference group.

    Differences by Newcombe, ratios by Miettinen and Nurminen, Fisher's exact test (Pearson's beyond
    ``EXACT_TO`` cases), p values corrected for the number of groups compared. The reference is the largest group
    unless another is named, never the one with the lowest share. Where a case can be in several groups, each group is
    compared with the cases not in it.

    ``reader``: an open snapshot. ``question``: what is asked. ``correction``: how p values are corrected; that of the
    plan that lists the comparison, else Holm's, where None. ``is_recorded``: whether this counts as a look; False where
    the caller records the comparisons itself. ``is_alone``: whether shares are wanted alone, without what stands beside
    them and without those drawn together by partial pooling, which take the longest. Raises RequestError: the reference
    does not exist.
    """
    stamp, level = stamp_of(reader, question), question.level
    counted = partial(rates_by, reader, (question.by,), definition=stamp.definition.id, selection=question.selection)
    (found,) = counted(level=level, beside=() if is_alone else None)
    overlapping = found.by is not None and found.by.column is None
    known = [group for group in found.groups if is_known(group.group)]
    base = None if overlapping else _reference(question, known)
    others = _others(reader, found) if overlapping else {}
    whole = (base.adverse.n, base.counted.n) if base else (0, 0)
    compared = {
        group.group: _against(group, others.get(group.group, whole), level)
        for group in known
        if overlapping or (base is not None and group.group != base.group)
    }
    against = base.group if base else NOT_IN_GROUP
    asked = replace(question, definition=found.definition.name, adjust=())
    looks = [replace(asked, first=code, second=against) for code in compared]
    standing = stand(reader, looks if is_recorded else [])
    how = correction or (standing.plan.plan.correction if standing.plan else "holm")
    names = {group.group: group.label for group in known}
    tests = [two.test.p_value for two in compared.values()]
    scores = _scores(reader, found, known)
    return GroupComparison(
        rates=found,
        reference=base.group if base else None,
        against=against,
        reference_label=base.label if base else (WITHOUT if overlapping else ""),
        compared=compared,
        corrected=adjust_p_values(tests, names=[names[code] for code in compared], method=how),  # type: ignore[arg-type]
        pooled=_pooled(known, level) if not (is_alone or overlapping) else None,
        trend=_trend(known, scores, level),
        scores=scores,
        standing=standing,
        cautions=_cautions(found, known, overlapping=overlapping),
    )


def _reference(question: Question, known: Sequence[GroupRow]) -> GroupRow | None:
    """The group asked for, else the largest by cases counted (ties: the first shown)."""
    if question.reference:
        check_group(question.by, question.reference, present=[group.group for group in known])
        return next((group for group in known if group.group == question.reference), None)
    with_cases = [group for group in known if group.counted.n]
    return max(with_cases, key=lambda group: group.counted.n, default=None)


def _others(reader: Reader, found: Rates) -> dict[str, tuple[int, int]]:
    """For groups that overlap: adverse and counted of the cases not in each, among cases whose groups are known."""
    condition, values = found.selection.where()
    outcomes = outcomes_of(found.definition)
    query = statement(__package__, "appliance_known.sql", outcomes=outcomes, condition=condition)
    ((n, n_adverse),) = reader.connection.rows(query, values)
    return {group.group: (int(n_adverse or 0) - group.adverse.n, int(n) - group.counted.n) for group in found.groups}


def _against(group: GroupRow, other: tuple[int, int], level: float) -> TwoGroupComparison:
    pair = (group.adverse.n, group.counted.n, *other)
    method: TestMethod = "fisher" if pair[1] + pair[3] <= EXACT_TO else "pearson"
    compared = compare_two_groups(*pair, level=level, tested=False)
    return replace(compared, first=group.rate, test=two_group_test(*pair, method=method))


def _scores(reader: Reader, found: Rates, known: Sequence[GroupRow]) -> dict[str, float]:
    """Positions of ordered groups: the mean age of a band's cases, a year as it is, else 0, 1, 2 ..."""
    if found.by is None or not is_ordered(found.by):
        return {}
    if found.by.name == "start_year":
        return {group.group: float(group.group) for group in known}
    if found.by.name == "age_band":
        condition, values = found.selection.where()
        rows = reader.connection.rows(
            f"select age_band, avg(age_at_start) from mart_cases where age_band is not null and {condition} group by 1",
            values,
        )
        return {band: float(mean) for band, mean in rows}
    return {group.group: float(place) for place, group in enumerate(known)}


def _trend(known: Sequence[GroupRow], scores: dict[str, float], level: float) -> TrendTest | None:
    if not scores:
        return None
    return cochran_armitage(
        [group.adverse.n for group in known],
        [group.counted.n for group in known],
        scores=[scores[group.group] for group in known],
        level=level,
    )


def _pooled(known: Sequence[GroupRow], level: float) -> PartialPooling:
    return partial_pooling(
        [group.label for group in known],
        [group.adverse.n for group in known],
        [group.counted.n for group in known],
        level=level,
    )


def _cautions(found: Rates, known: Sequence[GroupRow], *, overlapping: bool) -> tuple[Caution, ...]:
    cautions = [Caution("approximation", "groups_as_they_came")]
    if found.by is not None and found.by.name in DECIDED_LATER:
        cautions.append(Caution("approximation", "grouping_decided_later"))
    if overlapping:
        cautions.append(Caution("approximation", "groups_overlap"))
    if found.definition.family != "vertical":
        cautions.append(Caution("approximation", "secondary_outcome", {"family": found.definition.family}))
    if not found.selection.is_sample:
        cautions.append(Caution("approximation", "hand_picked"))
    unknown = sum(group.started.n for group in found.groups) - sum(group.started.n for group in known)
    if unknown and not overlapping:
        cautions.append(Caution("approximation", "unknown_group", {"n": unknown}))
    return distinct(tuple(cautions))


@dataclass(frozen=True, slots=True, kw_only=True)
class ShareOverAge(Stamped):
    """The share adverse over age at start as a number, without bands."""

    curve: AgeCurve


def share_over_age(reader: Reader, question: Question) -> ShareOverAge:
    """Share adverse against age at start, as a smooth curve with pointwise intervals; see ``age_curve``."""
    stamp = stamp_of(reader, question)
    frame = case_table(reader, stamp.definition, stamp.selection, columns=["age_at_start"])
    counted = frame.filter(frame["adverse"].is_not_null())
    with one_thread():
        curve = age_curve(numbers(counted["age_at_start"]), numbers(counted["adverse"]), level=stamp.level)
    return ShareOverAge(stamp=stamp, curve=curve)
