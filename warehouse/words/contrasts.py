"""Findings of comparisons as sentences a colleague can say aloud, made from the result objects and nothing else.

The grammar is cautious: "in these cases", "the data are compatible with", "went with"; never that something caused it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from warehouse.words.numbers import (
    and_list,
    counted,
    left_out_words,
    level_words,
    more_or_less,
    number,
    p_words,
    points,
    ratio_words,
    sentence,
    span,
    uncapped,
    why_none,
)
from warehouse.words.shares import cases, percent

if TYPE_CHECKING:
    from warehouse.analysis.comparison import TwoGroupComparison
    from warehouse.analysis.trend import TrendTest
    from warehouse.plans.planned_or_explored import Standing
    from warehouse.questions.contrast import PairComparison
    from warehouse.questions.crossed import CrossedComparison, WithinLevels
    from warehouse.questions.groups import GroupComparison
    from warehouse.questions.methods import MethodResult
    from warehouse.questions.shares import GroupRow

POINTS = "percentage points"
_COUNTS = ("no", "one", "two", "three", "four")


def standing_sentence(standing: Standing) -> str:
    """Planned or explored, in a sentence."""
    if standing.plan is None:
        return f"Explored after: {standing.note[:1].lower()}{standing.note[1:]}"
    plan = standing.plan
    build = f"build {plan.build}" if plan.build else "no build"
    registered = f"audit plan {plan.plan.id}, registered {plan.registered_at} at {build}"
    if standing.kind == "planned":
        what = "this comparison was" if standing.n_now == 1 else "any of these comparisons was"
        return f"Planned: {registered}, before {what} looked at."
    return f"Listed in {registered}, but {uncapped(standing.note)} Read it as explored after."


def count_sentence(standing: Standing) -> str:
    """How many comparisons were made, and what that means."""
    n = standing.n_comparisons
    noun = "comparison has" if n == 1 else "comparisons have"
    extra = f" ({standing.n_analyses:,} analyses, counting other adjustments anew)" if standing.n_analyses > n else ""
    parts = [f"{n:,} different {noun} been made in this warehouse so far{extra}."]
    if n > 1:
        parts.append("About one in twenty would look like a difference by chance alone.")
    if not standing.is_kept:
        parts.append("This look could not be written down: the warehouse folder cannot be written to.")
    if not standing.is_whole:
        parts.append("The record of looks was altered or shortened; the number may be too low.")
    return " ".join(parts)


def pair_sentences(result: PairComparison) -> list[str]:
    """A comparison of two groups, from the answer to what was not recorded."""
    return [
        crude_sentence(result),
        answer_sentence(result),
        methods_sentence(result),
        odds_ratio_sentence(result),
        homogeneity_sentence(result),
        e_value_sentence(result),
        cases_sentence(result),
        not_measured_sentence(result),
    ]


def groups_sentences(comparison: GroupComparison) -> list[str]:
    """Every group in the order shown, the correction for their number, and the trend where there is an order."""
    said = [group_sentence(group, comparison) for group in comparison.rates.groups]
    said.append(correction_sentence(comparison))
    if comparison.trend is not None:
        said.append(trend_sentence(comparison.trend, unit=_unit_of_scores(comparison)))
    return said


def _unit_of_scores(comparison: GroupComparison) -> str:
    by = comparison.rates.by.name if comparison.rates.by else ""
    return {"age_band": "year of age", "start_year": "year of start"}.get(by, "step from group to group")


def crude_sentence(result: PairComparison) -> str:
    """The shares of both groups as they came."""
    crude = result.method("crude")
    shares = list(zip((crude.first, crude.second), result.labels, strict=True))
    known = [
        f"{counted(round((share.value or 0.0) * share.n), share.n)} with {label}"
        for share, label in shares
        if share is not None and share.n
    ]
    empty = [label for share, label in shares if share is None or not share.n]
    said = [f"none with {' and none with '.join(empty)} was counted"] if empty else []
    if known:
        said.append(f"{' and '.join(known)} went adverse by {result.definition.name}")
    return sentence(f"in these cases, {'; '.join(said)}")


def answer_sentence(result: PairComparison) -> str:
    """The primary analysis in one sentence."""
    return method_sentence(result, result.answer)


def method_sentence(result: PairComparison, method: MethodResult) -> str:
    """One way of comparing, in one sentence."""
    first, second = result.labels
    if method.difference.value is None:
        return sentence(f"{method.title}: {why_none(method.difference)}")
    adjusted = f"adjusted for {and_list(method.adjusted_for)}" if method.adjusted_for else "not adjusted for anything"
    shares = ""
    if method.first is not None and method.second is not None:
        shares = f"{percent(method.first.value)} against {percent(method.second.value)}, "
    said = more_or_less(method.difference, unit=POINTS, scale=100, than=f"than with {second}")
    return sentence(
        f"{method.title}, {adjusted}, {method.population}: the share adverse with {first} was {shares}{said}"
    )


def methods_sentence(result: PairComparison) -> str:
    """How far the ways of comparing agree, and what adjusting did."""
    known = [(one.method, one.difference.value) for one in result.methods if one.difference.value is not None]
    crude = result.method("crude").difference.value
    adjusted = [value for name, value in known if name != "crude"]
    if crude is None or not adjusted:
        return "These cases allow no adjusted comparison beside the crude one."
    low, high = min(adjusted), max(adjusted)
    noun = "ways" if len(adjusted) > 1 else "way"
    to = f" to {points(high)}" if len(adjusted) > 1 else ""
    return (
        f"The crude difference is {points(crude)} points; {_COUNTS[len(adjusted)]} adjusted {noun} of comparing give"
        f" {points(low)}{to} points."
    )


def odds_ratio_sentence(result: PairComparison) -> str:
    """The odds ratio by the logistic model."""
    if result.odds_ratio.value is None:
        return sentence(f"odds ratio: {why_none(result.odds_ratio)}")
    model = result.odds_ratio.method.split(",")[0]
    return f"Adjusted odds ratio ({model}): {ratio_words(result.odds_ratio)}."


def homogeneity_sentence(result: PairComparison) -> str:
    """Whether the strata agree."""
    what = and_list(result.stratified_by)
    test = result.homogeneity
    if test.p_value is None:
        return sentence(f"strata of {what}: {uncapped(test.warnings[0].text)}")
    if test.p_value < 0.05:
        return (
            f"The strata of {what} do not agree ({p_words(test.p_value)}): one common number hides a difference"
            " between them; look at the strata."
        )
    return (
        f"The strata of {what} give no sign of disagreeing ({p_words(test.p_value)}); with few cases such a test"
        " misses much."
    )


def e_value_sentence(result: PairComparison) -> str:
    """How strong something unrecorded would have to be."""
    found = result.e_value
    if found.estimate is None:
        return sentence(f"e-value: {uncapped(found.warnings[0].text)}")
    limit = "" if found.limit is None else f" (to bring the interval to no difference: {number(found.limit, digits=1)})"
    return (
        "To explain this away, something not adjusted for would have to go with both the group and the outcome by a"
        f" risk ratio of {number(found.estimate, digits=1)} each{limit}. A large number does not show a cause."
    )


def cases_sentence(result: PairComparison) -> str:
    """Which cases were used, and who was left out."""
    started = sum(result.started)
    out = left_out_words(result.left_out)
    both = f" {cases(result.in_both)} in both groups are left out altogether." if result.in_both else ""
    used = f"Every method uses the same {cases(result.n)} of the {started:,} started in the two groups"
    if not out:
        return f"{used}; none is left out.{both}"
    complete = ""
    assessed = sum(result.assessed)
    if result.n < assessed:
        complete = (
            f" Over all {cases(assessed)} assessed, complete or not, the crude difference is"
            f" {points(result.crude_of_all.value)} points."
        )
    return f"{used}, those with an outcome and everything adjusted for. Left out: {out}.{complete}{both}"


def not_measured_sentence(result: PairComparison) -> str:
    """What was not and could not be adjusted for."""
    recorded = (
        f"Recorded but not adjusted for here: {and_list(result.not_adjusted_for)}. " if result.not_adjusted_for else ""
    )
    return f"{recorded}Not recorded at all: {'; '.join(result.not_measured)}."


def group_sentence(group: GroupRow, comparison: GroupComparison) -> str:
    """One group, with its difference from the reference."""
    said = f"{group.label}: {counted(group.adverse.n, group.counted.n)}"
    two = comparison.compared.get(group.group)
    if two is None:
        is_base = group.group == comparison.reference
        return sentence(f"{said}, the group the others are compared with" if is_base else said)
    if two.difference.value is None:
        return sentence(f"{said}. {why_none(two.difference)}")
    than = f"than {'in ' if comparison.reference is None else 'with '}{comparison.reference_label}"
    return sentence(f"{said}, {more_or_less(two.difference, unit=POINTS, scale=100, than=than)}")


def needed_sentence(two: TwoGroupComparison, label: str) -> str:
    """The number needed to harm, with the group by its name."""
    return two.needed.sentence.replace("cases of the first group", f"cases with {label}")


def correction_sentence(comparison: GroupComparison) -> str:
    """What is left after allowing for the number of groups."""
    found = comparison.corrected
    if found.n_comparisons == 0:
        return "No group could be tested against another."
    noun = "comparison" if found.n_comparisons == 1 else "comparisons"
    left = [row.name for row in found.rows if row.rejected]
    apart = f"these can be told apart from {comparison.reference_label} at {100 * found.alpha:g}%"
    verdict = f"{apart}: {and_list(left)}" if left else f"none of {apart}"
    return f"Allowing for {found.n_comparisons} {noun} ({found.method}), {verdict}."


def trend_sentence(trend: TrendTest, *, unit: str) -> str:
    """Whether the share rises or falls over ordered groups."""
    slope = trend.slope
    if slope.value is None:
        return sentence(f"trend: {why_none(slope)}")
    word = "rises" if slope.value > 0 else "falls"
    limits = span(slope.interval, digits=1, scale=100)
    bent = ""
    if trend.departure_p_value is not None and trend.departure_p_value < 0.05:
        bent = f" The shares do not follow a straight line ({p_words(trend.departure_p_value)})."
    return (
        f"Over the groups in order the share {word} by {number(abs(100 * slope.value), digits=1)} {POINTS} per {unit}"
        f" ({level_words(slope.interval.level if slope.interval else 0.95)} {limits}; {p_words(slope.p_value)})."
        f"{bent}"
    )


def within_sentence(result: CrossedComparison, within: WithinLevels) -> str:
    """One group against the reference, like with like within the levels of the second grouping."""
    label, base = result.groups[within.group], result.groups[str(result.reference)]
    what = result.by2.title.lower()
    if within.difference.value is None:
        return sentence(f"{label} within {what}: {why_none(within.difference)}")
    agreement = within.agreement.p_value
    agree = "" if agreement is None else f"; do the levels agree: {p_words(agreement)}"
    return sentence(
        f"within levels of {what}, the share adverse with {label} was"
        f" {more_or_less(within.difference, unit=POINTS, scale=100, than=f'than with {base}')}"
        f"; the crude difference is {points(within.crude.value)} points{agree}"
    )
