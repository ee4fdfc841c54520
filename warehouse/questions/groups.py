"""Groups by any grouping: shares, each against a stated reference group, and a trend where there is an order."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from warehouse.analysis.comparison import TwoGroupComparison
from warehouse.analysis.difference import risk_difference
from warehouse.analysis.harm import number_needed_to_harm
from warehouse.analysis.multiplicity import adjust_p_values
from warehouse.analysis.odds_ratio import odds_ratio
from warehouse.analysis.proportion import proportion
from warehouse.analysis.ratio import risk_ratio
from warehouse.analysis.shrinkage import partial_pooling
from warehouse.analysis.trend import cochran_armitage
from warehouse.analysis.two_group_tests import two_group_test
from warehouse.marts.outcome_sql import outcomes_of
from warehouse.plans.planned_or_explored import stand
from warehouse.plans.question import Question
from warehouse.questions.group_names import check_group, is_known, is_ordered
from warehouse.questions.methods import distinct
from warehouse.questions.shares import rates
from warehouse.results import Caution

if TYPE_CHECKING:
    from collections.abc import Sequence

    from warehouse.analysis.multiplicity import Comparisons, Correction
    from warehouse.analysis.shrinkage import PartialPooling
    from warehouse.analysis.trend import TrendTest
    from warehouse.marts.reader import Reader
    from warehouse.plans.planned_or_explored import Standing
    from warehouse.questions.shares import GroupRow, Rates
    from warehouse.selection import Selection

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
    *,
    by: str,
    definition: str | None = None,
    selection: Selection | None = None,
    reference: str | None = None,
    correction: Correction | None = None,
    level: float = 0.95,
    is_recorded: bool = True,
    is_pooled: bool = True,
) -> GroupComparison:
    """Share adverse in each group, against a reference group.

    Differences by Newcombe, ratios by Miettinen and Nurminen, Fisher's exact test (Pearson's beyond
    ``EXACT_TO`` cases), p values corrected for the number of groups compared. The reference is the largest group
    unless another is named, never the one with the lowest share. Where a case can be in several groups, each group is
    compared with the cases not in it.

    Args:
        reader: An open snapshot.
        by: Name of a grouping.
        definition: Id of an outcome definition; the headline one where None.
        selection: Which cases; consecutive treated ones where None.
        reference: Code of the reference group.
        correction: How p values are corrected; that of the plan that lists the comparison, else Holm's, where None.
        level: Level of the intervals.
        is_recorded: Whether this counts as a look; False where the caller records the comparisons itself.
        is_pooled: Whether shares drawn together by partial pooling are wanted as well; they take the longest.

    Raises:
        RequestError: The grouping or the reference does not exist.
    """
    found = rates(reader, by=by, definition=definition, selection=selection, level=level)
    overlapping = found.by is not None and found.by.column is None
    known = [group for group in found.groups if is_known(group.group)]
    base = None if overlapping else _reference(by, known, reference)
    others = _others(reader, found) if overlapping else {}
    whole = (base.adverse.n, base.counted.n) if base else (0, 0)
    compared = {
        group.group: _against(group, others.get(group.group, whole), level)
        for group in known
        if overlapping or (base is not None and group.group != base.group)
    }
    against = base.group if base else NOT_IN_GROUP
    standing = stand(reader, _questions(found, list(compared), against) if is_recorded else [])
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
        pooled=_pooled(known, level) if is_pooled and not overlapping else None,
        trend=_trend(known, scores, level),
        scores=scores,
        standing=standing,
        cautions=_cautions(found, known, overlapping=overlapping),
    )


def _reference(by: str, known: Sequence[GroupRow], wanted: str | None) -> GroupRow | None:
    """The group asked for, else the largest by cases counted (ties: the first shown)."""
    if wanted is not None:
        check_group(by, wanted, present=[group.group for group in known])
        return next((group for group in known if group.group == wanted), None)
    with_cases = [group for group in known if group.counted.n]
    return max(with_cases, key=lambda group: group.counted.n, default=None)


def _others(reader: Reader, found: Rates) -> dict[str, tuple[int, int]]:
    """For groups that overlap: adverse and counted of the cases not in each, among cases whose groups are known."""
    condition, values = found.selection.where()
    rows = reader.connection.rows(
        "select count(*), sum(case when mart_outcomes.status = 'adverse' then 1 else 0 end)"
        f" from {outcomes_of(found.definition)}"
        " inner join mart_cases on mart_cases.case_no = mart_outcomes.case_no"
        f" where mart_outcomes.step = 'counted' and mart_cases.appliance_ever is not null and {condition}",
        values,
    )
    n, n_adverse = rows[0]
    return {group.group: (int(n_adverse or 0) - group.adverse.n, int(n) - group.counted.n) for group in found.groups}


def _against(group: GroupRow, other: tuple[int, int], level: float) -> TwoGroupComparison:
    x2, n2 = other
    x1, n1 = group.adverse.n, group.counted.n
    exact = n1 + n2 <= EXACT_TO
    return TwoGroupComparison(
        first=group.rate,
        second=proportion(x2, n2, level=level),
        difference=risk_difference(x1, n1, x2, n2, level=level),
        ratio=risk_ratio(x1, n1, x2, n2, level=level),
        odds=odds_ratio(x1, n1, x2, n2, level=level),
        needed=number_needed_to_harm(x1, n1, x2, n2, level=level),
        test=two_group_test(x1, n1, x2, n2, method="fisher" if exact else "pearson"),
    )


def _questions(found: Rates, compared: Sequence[str], reference: str) -> list[Question]:
    by = found.by.name if found.by else ""
    return [
        Question(outcome=found.definition.name, by=by, first=code, second=reference, selection=found.selection)
        for code in compared
    ]


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
    cautions = [
        Caution("approximation", "groups_as_they_came"),
    ]
    if overlapping:
        cautions.append(Caution("approximation", "groups_overlap"))
    if found.definition.family != "vertical":
        cautions.append(Caution("approximation", "secondary_outcome", {"family": found.definition.family}))
    if found.selection.selection != "consecutive":
        cautions.append(Caution("approximation", "hand_picked"))
    unknown = sum(group.started.n for group in found.groups) - sum(group.started.n for group in known)
    if unknown and not overlapping:
        cautions.append(Caution("approximation", "unknown_group", {"n": unknown}))
    return distinct(tuple(cautions))
