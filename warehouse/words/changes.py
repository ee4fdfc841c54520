"""Findings about changes, ages, missing outcomes, corners and courses as sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING

from warehouse.outcomes.definition import SPANS
from warehouse.words.contrasts import POINTS
from warehouse.words.numbers import (
    and_list,
    due_words,
    left_out_words,
    level_words,
    more_or_less,
    p_words,
    points,
    ratio_words,
    sentence,
    signed,
    span,
    why_none,
)
from warehouse.words.shares import cases, percent

if TYPE_CHECKING:
    from warehouse.questions.changes import ChangeComparison, Course, GroupChange
    from warehouse.questions.contrast import AllOutcomes
    from warehouse.questions.groups import ShareOverAge
    from warehouse.questions.missing import GroupMissing, PairAndMissing
    from warehouse.questions.run_plan import PlanResult
    from warehouse.questions.teeth_and_face import CornersResult
    from warehouse.results import Estimate

MONTHS_A_YEAR = 12


def change_sentence(result: ChangeComparison, group: GroupChange) -> str:
    """How much one group changed."""
    if group.mean.value is None:
        return sentence(f"{group.label}: {why_none(group.mean)}")
    unit = result.measure.unit
    interval = f"{level_words(result.level)} {span(group.mean.interval)}" if group.mean.interval else "no interval"
    beyond = ""
    if group.beyond_growth.value is not None:
        beyond = f", {signed(group.beyond_growth.value)} {unit} beyond what untreated growth would account for"
    return sentence(
        f"{group.label}: in {cases(group.n)} the mean change was {signed(group.mean.value)} {unit} ({interval}),"
        f" the median {signed(group.median.value)}{beyond}"
    )


def covariance_sentences(result: ChangeComparison) -> list[str]:
    """Each group against the reference, from the same start."""
    if result.by is None:
        return []
    if result.covariance is None:
        return ["No case has the measure at both times, so no groups can be compared."]
    earlier, later = (time.replace("_", "-") for time in SPANS[result.span])  # type: ignore[index]
    given = and_list([f"the same value at the {earlier}", *result.adjusted_for])
    base = result.reference
    return [
        sentence(
            f"given {given}, cases with {label} were at the {later}"
            f" {more_or_less(found, unit=result.measure.unit, digits=2, than=f'than those with {base}')}"
            if found.value is not None
            else f"{label} against {base}: {why_none(found)}"
        )
        for label, found in covariance_differences(result)
    ]


def covariance_differences(result: ChangeComparison) -> list[tuple[str, Estimate]]:
    """Label and adjusted difference of every group but the reference, in the order shown."""
    if result.covariance is None:
        return []
    found = dict(zip(result.covariance.groups[1:], result.covariance.differences, strict=True))
    return [(group.label, found[group.label]) for group in result.groups if group.label in found]


def age_sentence(result: ShareOverAge) -> str:
    """How the share goes with age as a number."""
    curve = result.curve
    if curve.slope.value is None:
        return sentence(f"age as a number: {why_none(curve.slope)}")
    shape = "no curve was fitted beside the line"
    if curve.nonlinearity_p_value is not None:
        bends = curve.nonlinearity_p_value < 0.05
        shape = "the relation bends" if bends else "the data are compatible with a straight line"
        shape += f" ({p_words(curve.nonlinearity_p_value)})"
    return sentence(
        f"with every year of age at start the odds of going adverse are multiplied by {ratio_words(curve.slope)};"
        f" {shape}. Age goes with much else, so this is no effect of age alone"
    )


def missing_sentence(group: GroupMissing) -> str:
    """Bounds and tipping point of one group's share."""
    rate = group.rate
    if rate.missing.n == 0:
        return sentence(f"{rate.label}: no outcome that is due is missing. {group.tipping.sentence}")
    return sentence(
        f"{rate.label}: {due_words(rate.missing.n)}; the share lies between"
        f" {percent(rate.if_none.value)} (none of them adverse) and {percent(rate.if_all.value)} (all adverse)."
        f" {group.tipping.sentence}"
    )


def missing_pair_sentences(result: PairAndMissing) -> list[str]:
    """What the missing could do to a difference."""
    first, second = result.labels
    observed = (
        f"among the assessed, the share adverse with {first} was"
        f" {more_or_less(result.observed, unit=POINTS, scale=100, than=f'than with {second}')}"
        if result.observed.value is not None
        else why_none(result.observed)
    )
    n_missing = " and ".join(f"{n:,} with {label}" for n, label in zip(result.missing, result.labels, strict=True))
    bounds = (
        f"due but not known: {n_missing}. At the extremes the difference would be {points(result.lowest.value)} or"
        f" {points(result.highest.value)} points"
    )
    grid = result.grid.sentence.replace("the first group", first).replace("the second group", second)
    return [sentence(observed), sentence(bounds), sentence(_imputed(result)), sentence(grid)]


def _imputed(result: PairAndMissing) -> str:
    found = result.imputed.difference
    if found.value is None:
        return f"multiple imputation: {why_none(found)}"
    n_lost = result.without_covariates
    lost = f"; {cases(n_lost)} lacking one of these left out" if n_lost else ""
    return (
        f"if missing cases are like the assessed ones with the same {and_list(result.imputed_from)} (multiple"
        f" imputation, {result.imputed.n_imputations} sets{lost}), the difference is {points(found.value)} points"
        f" ({span(found.interval, digits=1, scale=100)}); whether they are, the data cannot show"
    )


def corners_sentences(result: CornersResult) -> list[str]:
    """The corner that matters, and whether improved teeth go with an adverse face."""
    corners = result.corners
    found = [corners.sentence]
    if corners.difference.value is not None:
        found.append(
            sentence(
                "the share with an adverse face among cases whose teeth improved was"
                f" {more_or_less(corners.difference, unit=POINTS, scale=100, than='than among the others')}"
            )
        )
    if corners.left_out:
        found.append(sentence(f"left out: {left_out_words(corners.left_out)}"))
    if result.nothing_to_improve:
        found.append(f"Among these, {cases(result.nothing_to_improve)} scored 0 at the start: no teeth to improve.")
    return found


def rate_of_change(estimate: Estimate, *, unit: str) -> str:
    """A monthly rate of a mixed model as a yearly one."""
    if estimate.value is None:
        return why_none(estimate)
    yearly = signed(MONTHS_A_YEAR * estimate.value)
    return f"{yearly} {unit} a year ({span(estimate.interval, scale=MONTHS_A_YEAR)})"


def course_sentences(result: Course) -> list[str]:
    """The rate of change of each group."""
    groups = _course_groups(result)
    rates = [
        sentence(f"{label}: {rate_of_change(rate, unit=result.measure.unit)}")
        for label, rate in zip(groups, result.model.slopes, strict=True)
    ]
    used = (
        f"From {result.model.n_values:,} readings of {cases(result.model.n_cases)} over the months of treatment"
        " (linear mixed model; a case with fewer times still counts)."
    )
    return [used, *rates]


def _course_groups(result: Course) -> list[str]:
    """Labels of the groups of the slopes, the reference first, as the model orders them."""
    if result.by is None:
        return ["all cases"] * len(result.model.slopes)
    others = [term.removeprefix("group=") for term in result.model.names if term.startswith("group=")]
    return [result.reference, *others]


def plan_sentences(result: PlanResult) -> list[str]:
    """The family of a plan in words."""
    found = result.corrected
    left = [row.name for row in found.rows if row.rejected]
    noun = "comparison" if found.n_comparisons == 1 else "comparisons"
    verdict = and_list(left) if left else "none of them"
    return [
        f"The plan lists {found.n_comparisons} testable {noun}, whose p values are corrected together"
        f" ({found.method}).",
        f"Told apart at {100 * found.alpha:g}% after correction: {verdict}.",
    ]


def outcome_sentences(result: AllOutcomes) -> list[str]:
    """Each outcome in one sentence, secondary ones marked."""
    said = []
    for row, secondary in zip(result.rows, result.secondary, strict=True):
        mark = "secondary; " if secondary else ""
        what = f"{row.definition.name} ({mark}{row.definition.label.lower()})"
        if row.answer.difference.value is None:
            said.append(sentence(f"{what}: {why_none(row.answer.difference)}"))
            continue
        first, second = row.labels
        differs = more_or_less(row.answer.difference, unit=POINTS, scale=100, than=f"than with {second}")
        said.append(sentence(f"{what}: the share adverse with {first} was {differs}"))
    return said
