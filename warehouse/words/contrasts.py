"""Comparisons of groups as sentences a colleague can say aloud, made from the result objects and nothing else.

The grammar is cautious: "in these cases", "the data are compatible with", "went with"; never that something caused it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from warehouse.marts.grouping import DATED, DECIDED_LATER
from warehouse.plural import number_of
from warehouse.words.numbers import cases, counted, left_out_words, number, points, points_range, sentence, span
from warehouse.words.sentences import caution_text, more_or_less, ratio_words, said_of, say, why_none

if TYPE_CHECKING:
    from warehouse.analysis.comparison import TwoGroupComparison
    from warehouse.analysis.harm import NumberNeeded
    from warehouse.analysis.trend import TrendTest
    from warehouse.plans.planned_or_explored import Standing
    from warehouse.questions.contrast import PairComparison
    from warehouse.questions.crossed import CrossedComparison, WithinLevels
    from warehouse.questions.groups import GroupComparison
    from warehouse.questions.shares import GroupRow, Rates
    from warehouse.results import Estimate, Interval

POINTS = "percentage points"
FEWEST = 10
"""Cases from which on a group is named in the sentence about the spread of groups."""
_UNLIKE = {
    "no_counterpart": ("comparable.no_counterpart", "comparable.help_no_counterpart"),
    "told_apart": ("comparable.told_apart", "comparable.help_no_counterpart"),
    "left_unlike": ("comparable.left_unlike", "comparable.help_left_unlike"),
    "few_effective": ("comparable.few_effective", "comparable.help_few_effective"),
    "few_events_of_pair": ("comparable.few_events_of_pair", "comparable.help_few_events_of_pair"),
}
"""Why groups are too unlike, as part of a sentence, and what would help."""
_STEPS = {"age_band": "year of age", "start_year": "year of start"}


def difference_said(estimate: Estimate) -> str:
    """A difference with its interval in percentage points, or why there is none."""
    if estimate.value is None:
        return why_none(estimate)
    return f"{points(estimate.value)} ({points_range(estimate.interval)})"


def two_selections_sentence(left: Rates, right: Rates, shared: tuple[int, int, int, int], difference: Estimate) -> str:
    """What two selections say against each other: a difference where no case is in both and the definition is one."""
    n, both, turned, back = shared
    if left.definition.id != right.definition.id:
        return say("two.definitions", both=both, turned=turned, back=back)
    if n:
        return say("two.shared", n=n)
    if difference.value is None or difference.interval is None:
        return say("two.none", why=why_none(difference))
    return say("two.apart", difference=difference)


def standing_sentence(standing: Standing) -> str:
    """Planned or not, in a sentence."""
    if standing.plan is None:
        return say("standing.not_planned", note=standing.note)
    plan = standing.plan
    build = say("standing.build", build=plan.build) if plan.build else say("standing.no_build")
    key = "standing.planned" if standing.kind == "planned" else "standing.planned_after_looking"
    one = "this comparison was" if standing.n_now == 1 else "any of these comparisons was"
    return say(key, plan=plan.plan.id, registered=plan.registered_at, build=build, note=standing.note, looked_at=one)


def standing_sentences(standing: Standing) -> tuple[str, str]:
    """Planned or not, and how many comparisons were made."""
    return standing_sentence(standing), count_sentence(standing)


def count_in_file(n: int, planned: int, *, is_whole: bool) -> str:
    """How many comparisons a file makes itself: what else was looked at does not change what it says."""
    parts = [say("standing.in_file", n=n, planned=planned)]
    parts += [say("standing.by_chance")] if n > 1 else []
    return " ".join(parts if is_whole else [*parts, say("standing.altered")])


def count_sentence(standing: Standing) -> str:
    """How many comparisons were made, and what that means."""
    n = standing.n_comparisons
    key = "standing.count_analyses" if standing.n_analyses > n else "standing.count"
    parts = [say(key, n=n, analyses=standing.n_analyses)]
    if n > 1:
        parts.append(say("standing.by_chance"))
    if not standing.is_kept:
        parts.append(say("standing.not_kept"))
    if not standing.is_whole:
        parts.append(say("standing.altered"))
    return " ".join(parts)


def spread_sentence(result: Rates) -> str:
    """The highest and the lowest share of the groups, those with too few cases left out."""
    return spread_of(result.groups)


def spread_of(groups: Sequence[GroupRow]) -> str:
    """The same of groups of which counts may be hidden."""
    large = [one for one in groups if (one.counted.value or 0) >= FEWEST and one.rate.value is not None]
    if len(large) < 2:
        return say("contrast.nothing_side_by_side", fewest=FEWEST)
    low, *_, high = sorted(large, key=lambda group: group.rate.value or 0.0)
    return say("contrast.spread", low=low, high=high)


def brief_sentences(result: PairComparison) -> list[str]:
    """A comparison of two groups in a minute: the answer, how to read it, and three facts."""
    interval = result.answer.difference.interval
    said = [pair_sentence(result), reading_sentence(interval) if interval else "", *facts(result)]
    return [one for one in said if one]


def facts(result: PairComparison) -> list[str]:
    """The groups as counted, within what they are compared, and planned or not with how many looks."""
    crude = result.method("crude")
    counted_ = "" if crude.first is None or crude.second is None else _as_counted(result, crude.first, crude.second)
    n = result.standing.n_comparisons
    is_planned = result.standing.kind == "planned"
    looks = say("standing.brief_planned" if is_planned else "standing.brief_not_planned", n=n)
    said = (counted_, groups_known_sentence(result), time_sentence(result), within_units_sentence(result), looks)
    return [one for one in said if one]


def groups_known_sentence(result: PairComparison) -> str:
    """When the groups were known: in the course of treatment, or at a landmark time; empty where at the start."""
    found, by = result.landmark, result.question.by
    if found is None:
        return "" if by not in DECIDED_LATER else say("contrast.later_dated" if by in DATED else "contrast.later")
    undated = say("contrast.landmark_undated", n=found.undated) if found.undated else ""
    return say("contrast.landmark", months=found.months, n=sum(found.ended), undated=undated)


def time_sentence(result: PairComparison) -> str:
    """Per year, where the groups were not observed for as long; else empty."""
    one, two = result.observed
    found = result.per_year
    if found is None or found.value is None or one is None or two is None:
        return ""
    return say("contrast.per_year", first=one, second=two, ratio=ratio_words(found))


def _as_counted(result: PairComparison, one: Estimate, two: Estimate) -> str:
    first, second = result.labels
    if one.value is None or two.value is None:
        return crude_sentence(result)
    x1, x2 = round(one.value * one.n), round(two.value * two.n)
    shares = {"p1": one.value, "p2": two.value}
    return say("contrast.brief", first=first, second=second, x1=x1, n1=one.n, x2=x2, n2=two.n, **shares)


def within_units_sentence(result: PairComparison) -> str:
    """Within which practices the groups were compared, and what that changed; empty where they were not."""
    held = result.within
    if not held.title:
        return ""
    key = "comparable.within_clustered" if held.is_clustered else "comparable.within_these"
    across = "withheld" if held.across is None or held.across.value is None else points(held.across.value)
    return say(key, units=number_of(held.n, held.title, f"{held.title}s"), across=across)


def weighed_sentence(result: PairComparison) -> str:
    """What was judged before any adjusted figure."""
    found = result.comparability
    if found.without_counterpart is None:
        return ""
    return say("comparable.weighed", found=found, imbalance=found.imbalance or 0.0)


def pair_sentences(result: PairComparison) -> list[str]:
    """A comparison of two groups, from the answer to what was not recorded."""
    said = [
        pair_sentence(result),
        reading_sentence(result.answer.difference.interval),
        crude_sentence(result),
        groups_known_sentence(result),
        time_sentence(result),
        within_units_sentence(result),
        weighed_sentence(result),
        methods_sentence(result),
        odds_ratio_sentence(result),
        homogeneity_sentence(result),
        e_value_sentence(result),
        cases_sentence(result),
        not_measured_sentence(result),
    ]
    return [one for one in said if one]


def pair_sentence(result: PairComparison, *, with_counts: bool = True) -> str:
    """The answer of the primary method, in a sentence, its caution first; or why there is none and what would help.

    Without ``with_counts`` it names no count of cases: for those to whom small counts are hidden.
    """
    method = result.answer
    first, second = result.labels
    why = [caution for caution in result.comparability.why if caution.code in _UNLIKE]
    why = [caution for caution in why if with_counts or caution.code != "few_events_of_pair"]
    reasons = [say(_UNLIKE[caution.code][0], **dict(caution.numbers)) for caution in why]
    if method.difference.value is None and reasons:
        help_ = "; ".join(dict.fromkeys(say(_UNLIKE[caution.code][1]) for caution in why[:2]))
        return say("comparable.withheld", first=first, second=second, why=reasons[:2], help=help_)
    if method.difference.value is None:
        lost = left_out_words(result.left_out if with_counts else {})
        told = {"why": why_none(method.difference), "out": say("contrast.left_out", out=lost) if lost else ""}
        return say("contrast.no_pair", first=first, second=second, title=method.title, **told)
    shares = ""
    if method.first is not None and method.second is not None:
        shares = say("contrast.two_shares", first=method.first.value, second=method.second.value)
    caution = say("comparable.caution", why=reasons[:1]) if reasons and method.adjusted_for else ""
    n = f", {cases(result.n)}" if with_counts else ""
    key = "contrast.pair_adjusted" if method.adjusted_for else "contrast.pair_crude"
    groups = {"first": first, "second": second, "shares": shares}
    return say(key, method=method, caution=caution, n=n, level=result.level, **groups)


def reading_sentence(interval: Interval | None) -> str:
    """Which differences the data are compatible with."""
    if interval is None:
        return say("contrast.no_interval")
    return say("contrast.one_side" if interval.low > 0 or interval.high < 0 else "contrast.takes_in_none")


def groups_sentences(comparison: GroupComparison) -> list[str]:
    """Every group in the order shown, the correction for their number, and the trend where there is an order."""
    said = [group_sentence(group, comparison) for group in comparison.rates.groups]
    said.append(correction_sentence(comparison))
    if comparison.trend is not None:
        by = comparison.rates.by.name if comparison.rates.by else ""
        said.append(trend_sentence(comparison.trend, unit=_STEPS.get(by, "step from group to group")))
    return said


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
    return say("contrast.as_they_came", said="; ".join(said))


def methods_sentence(result: PairComparison) -> str:
    """How far the ways of comparing agree, and what adjusting did."""
    known = [(one.method, one.difference.value) for one in result.methods if one.difference.value is not None]
    crude = result.method("crude").difference.value
    adjusted = [value for name, value in known if name != "crude"]
    if crude is None or not adjusted:
        return say("contrast.no_adjusted")
    return say("contrast.ways", n=len(adjusted), crude=crude, low=min(adjusted), high=max(adjusted))


def odds_ratio_sentence(result: PairComparison) -> str:
    """The odds ratio by the logistic model."""
    if result.odds_ratio.value is None:
        return said_of("odds ratio", result.odds_ratio)
    model = result.odds_ratio.method.split(",")[0]
    return say("contrast.odds_ratio", model=model, ratio=ratio_words(result.odds_ratio))


def homogeneity_sentence(result: PairComparison) -> str:
    """Whether the strata agree."""
    test, by = result.homogeneity, result.stratified_by
    if test.p_value is None:
        return say("contrast.strata_unknown", by=by, why=caution_text(test.warnings[0]))
    return say("contrast.strata_differ" if test.p_value < 0.05 else "contrast.strata_agree", by=by, p=test.p_value)


def e_value_sentence(result: PairComparison) -> str:
    """How strong something unrecorded would have to be."""
    found = result.e_value
    if found.estimate is None:
        return say("contrast.no_e_value", why=caution_text(found.warnings[0]))
    limit = "" if found.limit is None else say("contrast.e_value_limit", limit=found.limit)
    return say("contrast.e_value", value=found.estimate, limit=limit)


def cases_sentence(result: PairComparison) -> str:
    """Which cases were used, and who was left out."""
    out = left_out_words(result.left_out)
    key = "contrast.cases_some" if out else "contrast.cases_all"
    said = [say(key, n=result.n, started=sum(result.started), out=out)]
    assessed = sum(result.assessed)
    if out and result.n < assessed:
        said.append(say("contrast.crude_of_all", n=assessed, difference=result.crude_of_all.value))
    if result.in_both:
        said.append(say("contrast.in_both", n=result.in_both))
    return " ".join(said)


def not_measured_sentence(result: PairComparison) -> str:
    """What was not and could not be adjusted for."""
    said = [say("contrast.not_adjusted_for", names=result.not_adjusted_for)] if result.not_adjusted_for else []
    return " ".join([*said, say("contrast.not_recorded", names="; ".join(result.not_measured))])


def group_sentence(group: GroupRow, comparison: GroupComparison) -> str:
    """One group, with its difference from the reference."""
    said = f"{group.label}: {counted(group.adverse.n, group.counted.n)}"
    two = comparison.compared.get(group.group)
    if two is None:
        is_base = group.group == comparison.reference
        return sentence(say("contrast.is_reference", said=said) if is_base else said)
    if two.difference.value is None:
        return sentence(f"{said}. {why_none(two.difference)}")
    than = f"than {'in ' if comparison.reference is None else 'with '}{comparison.reference_label}"
    return sentence(f"{said}, {more_or_less(two.difference, unit=POINTS, scale=100, than=than)}")


def needed_sentence(two: TwoGroupComparison, label: str) -> str:
    """The number needed to harm, with the group by its name."""
    return harm_sentence(two.needed, f"cases with {label}")


def harm_sentence(found: NumberNeeded, cases_of: str = "cases of the first group") -> str:
    """The number needed to harm, or to benefit."""
    interval = found.difference.interval
    if found.difference.value is None or interval is None:
        return why_none(found.difference)
    if found.harm is not None and found.benefit is not None:
        ends = say("harm.both_sides", harm=_needed(found.harm.low), benefit=_needed(found.benefit.low))
    else:
        part = found.harm or found.benefit
        name = "harm" if found.harm is not None else "benefit"
        ends = f"{name} {_needed(part.low)} to {_needed(part.high)}" if part is not None else say("harm.unknown")
    key = "harm.equal" if found.value is None else "harm.more" if found.direction == "harm" else "harm.fewer"
    return say(key, value=found.value, cases=cases_of, level=interval.level, ends=ends)


def _needed(value: float) -> str:
    return "infinity" if value == float("inf") else f"{value:.3g}"


def correction_sentence(comparison: GroupComparison) -> str:
    """What is left after allowing for the number of groups."""
    found = comparison.corrected
    if found.n_comparisons == 0:
        return say("contrast.none_tested")
    left = [row.name for row in found.rows if row.rejected]
    key = "contrast.told_apart" if left else "contrast.none_told_apart"
    return say(key, found=found, names=left, reference=comparison.reference_label, alpha=100 * found.alpha)


def trend_sentence(trend: TrendTest, *, unit: str) -> str:
    """Whether the share rises or falls over ordered groups."""
    slope = trend.slope
    if slope.value is None:
        return said_of("trend", slope)
    key, interval = "trend.rises" if slope.value > 0 else "trend.falls", span(slope.interval, digits=1, scale=100)
    said = say(key, by=number(abs(100 * slope.value), digits=1), unit=unit, slope=slope, interval=interval)
    if trend.departure_p_value is None or trend.departure_p_value >= 0.05:
        return said
    return f"{said} {say('trend.bent', p=trend.departure_p_value)}"


def within_sentence(result: CrossedComparison, within: WithinLevels) -> str:
    """One group against the reference, adjusted for the levels of the second grouping."""
    label, base = result.groups[within.group], result.groups[str(result.reference)]
    what = result.by2.title.lower()
    if within.difference.value is None:
        return said_of(f"{label} within {what}", within.difference)
    agreement = within.agreement.p_value
    agree = "" if agreement is None else say("contrast.levels_agree", p=agreement)
    differs = more_or_less(within.difference, unit=POINTS, scale=100, than=f"than with {base}")
    return say("contrast.within", what=what, label=label, differs=differs, crude=within.crude.value, agree=agree)
