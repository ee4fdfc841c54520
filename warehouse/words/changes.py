"""Findings about changes, ages, missing outcomes, corners and courses as sentences."""

from warehouse.analysis.corners import FourCorners
from warehouse.analysis.tipping import TippingPoint
from warehouse.analysis.tipping_grid import FIRST_HIGHER, SECOND_HIGHER, TippingGrid
from warehouse.outcomes.definition import SPANS
from warehouse.questions.changes import ChangeComparison, Course, GroupChange
from warehouse.questions.contrast import AllOutcomes
from warehouse.questions.groups import ShareOverAge
from warehouse.questions.missing import GroupMissing, PairAndMissing
from warehouse.questions.run_plan import PlanResult
from warehouse.questions.teeth_and_face import CornersResult
from warehouse.questions.three_times import LEAST, ThreeTimes
from warehouse.results import Estimate
from warehouse.words.contrasts import POINTS
from warehouse.words.numbers import left_out_words, p_words, sentence, signed, span
from warehouse.words.sentences import caution_text, more_or_less, ratio_words, said_of, say, why_none

MONTHS_A_YEAR = 12


def change_sentence(result: ChangeComparison, group: GroupChange) -> str:
    """How much one group changed."""
    if group.mean.value is None:
        return said_of(group.label, group.mean)
    unit, beyond = result.measure.unit, ""
    if group.beyond_growth.value is not None:
        beyond = say("change.beyond_growth", value=group.beyond_growth.value, unit=unit)
    return say("change.of_group", group=group, unit=unit, level=result.level, beyond=beyond)


def covariance_sentences(result: ChangeComparison) -> list[str]:
    """Each group against the reference, from the same start."""
    if result.by is None:
        return []
    if result.covariance is None:
        return [say("change.no_groups")]
    earlier, later = (time.replace("_", "-") for time in SPANS[result.span])  # type: ignore[index]
    given = [f"the same value at the {earlier}", *result.adjusted_for]
    than = f"than those with {result.reference}"
    return [
        say(
            "change.given",
            given=given,
            label=label,
            later=later,
            differs=more_or_less(found, unit=result.measure.unit, digits=2, than=than),
        )
        if found.value is not None
        else said_of(f"{label} against {result.reference}", found)
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
        return said_of("age as a number", curve.slope)
    shape = say("age.no_curve")
    if curve.nonlinearity_p_value is not None:
        key = "age.bends" if curve.nonlinearity_p_value < 0.05 else "age.straight"
        shape = say(key, p=p_words(curve.nonlinearity_p_value))
    return say("age.slope", ratio=ratio_words(curve.slope), shape=shape)


def missing_sentence(group: GroupMissing) -> str:
    """Bounds and tipping point of one group's share."""
    rate = group.rate
    key = "missing.some_of_group" if rate.unknown else "missing.none_of_group"
    turned_away = say("share.turned_away_too", n=rate.turned_away.n) if rate.turned_away.n else ""
    return say(key, rate=rate, turned_away=turned_away, tipping=tipping_sentence(group.tipping))


def tipping_sentence(found: TippingPoint) -> str:
    """Where the share of the assessed lies, and what the missing would have to hold to change that."""
    if found.holds_from is None or found.holds_to is None:
        return caution_text(found.warnings[0])
    low, high, missing = found.holds_from, found.holds_to, found.missing
    key = "tipping.holds_between"
    if missing == 0:
        key = "tipping.none_missing"
    elif (low, high) == (0, missing):
        key = "tipping.always_holds"
    elif low == 0:
        key = "tipping.holds_up_to"
    elif high == missing:
        key = "tipping.holds_from"
    where = {"below": "tipping.below", "above": "tipping.above"}.get(found.message, "tipping.includes")
    return say(key, where=say(where, value=100 * found.value), missing=missing, low=low, high=high, next=high + 1)


def grid_sentence(found: TippingGrid, first: str = "the first group", second: str = "the second group") -> str:
    """Which of two groups is higher among the assessed, and what the missing would have to hold to change that."""
    if found.like_assessed is None:
        return caution_text(found.warnings[0])
    key = "tipping.pair_changes" if found.nearest_change else "tipping.pair_holds"
    if found.missing == (0, 0):
        key = "tipping.pair_none_missing"
    higher = {FIRST_HIGHER: first, SECOND_HIGHER: second}.get(found.message)
    return say(
        key,
        said=say("tipping.higher", group=higher) if higher else say("tipping.not_told_apart"),
        missing=found.missing,
        nearest=found.nearest_change,
        like=found.like_assessed,
    )


def missing_pair_sentences(result: PairAndMissing) -> list[str]:
    """What the missing could do to a difference."""
    first, second = result.labels
    observed = why_none(result.observed)
    if result.observed.value is not None:
        differs = more_or_less(result.observed, unit=POINTS, scale=100, than=f"than with {second}")
        observed = say("missing.observed", first=first, differs=differs)
    n_missing = [f"{n:,} with {label}" for n, label in zip(result.missing, result.labels, strict=True)]
    bounds = say("missing.bounds", n_missing=n_missing, low=result.lowest.value, high=result.highest.value)
    grid = grid_sentence(result.grid, first, second)
    return [sentence(observed), bounds, _imputed(result), *_shifted(result), grid]


def _shifted(result: PairAndMissing) -> list[str]:
    """From which odds among the missing of one group on something else would be said; the two groups in turn."""
    return [
        say("missing.tips" if tips else "missing.never_tips", label=label, times=tips, most=estimates[-1].times)
        for one, (label, estimates) in enumerate(zip(result.labels, result.shifted, strict=True))
        if estimates
        for tips in (result.tips_at(one),)
    ]


def _imputed(result: PairAndMissing) -> str:
    found = result.imputed.difference
    if found.value is None:
        return said_of("multiple imputation", found)
    n_lost, n_seen = result.without_covariates, result.imputed.on_the_way
    return say(
        "missing.imputed",
        given=result.imputed_from,
        sets=result.imputed.n_imputations,
        lost=say("missing.lost", n=n_lost) if n_lost else "",
        seen=say("missing.on_the_way", n=n_seen) if n_seen else "",
        difference=found.value,
        interval=span(found.interval, digits=1, scale=100),
    )


def corner_sentence(found: FourCorners) -> str:
    """How often the teeth improved while the face went adverse."""
    share = found.among_all
    if share.value is None or share.interval is None:
        return say("corners.none_judged")
    return say("corners.share", adverse=found.better_adverse, share=share)


def corners_sentences(result: CornersResult) -> list[str]:
    """The corner that matters, and whether improved teeth go with an adverse face."""
    corners = result.corners
    found = [corner_sentence(corners)]
    if corners.difference.value is not None:
        than = "than among the others"
        differs = more_or_less(corners.difference, unit=POINTS, scale=100, than=than)
        found.append(say("corners.difference", differs=differs))
    if corners.left_out:
        found.append(say("corners.left_out", left_out=left_out_words(corners.left_out)))
    if result.nothing_to_improve:
        found.append(say("corners.nothing_to_improve", n=result.nothing_to_improve))
    return found


def rate_of_change(estimate: Estimate, *, unit: str) -> str:
    """A monthly rate of a mixed model as a yearly one."""
    if estimate.value is None:
        return why_none(estimate)
    yearly = signed(MONTHS_A_YEAR * estimate.value, digits=2)
    return f"{yearly} {unit} a year ({span(estimate.interval, scale=MONTHS_A_YEAR)})"


def three_times_sentence(result: ThreeTimes) -> str:
    """What a measure did first and after, in the middle and case by case."""
    both = result.rose_then_fell
    if not result.medians or result.first.value is None or result.then.value is None:
        return say("course.no_three_times", label=result.measure.label)
    n_both = round((both.value or 0.0) * both.n)
    return say("course.three_times", found=result, n=result.frame.height, both=n_both, least=LEAST)


def course_sentences(result: Course) -> list[str]:
    """The rate of change of each group."""
    rates = [
        sentence(f"{label}: {rate_of_change(rate, unit=result.measure.unit)}")
        for label, rate in zip(_course_groups(result), result.model.slopes, strict=True)
    ]
    return [say("course.readings", readings=result.model.n_values, n=result.model.n_cases), *rates]


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
    return [
        say("plan.family", n=found.n_comparisons, method=found.method),
        say("plan.told_apart" if left else "plan.none_told_apart", alpha=100 * found.alpha, names=left),
    ]


def outcome_sentences(result: AllOutcomes) -> list[str]:
    """Each outcome in one sentence, secondary ones marked."""
    said = []
    for row, secondary in zip(result.rows, result.secondary, strict=True):
        mark = "secondary; " if secondary else ""
        what = f"{row.definition.name} ({mark}{row.definition.label.lower()})"
        if row.answer.difference.value is None:
            said.append(said_of(what, row.answer.difference))
            continue
        first, second = row.labels
        differs = more_or_less(row.answer.difference, unit=POINTS, scale=100, than=f"than with {second}")
        said.append(say("plan.outcome", what=what, first=first, differs=differs))
    return said
