"""Differences between groups in words: how large, how sure, and what was and was not held alike."""

from __future__ import annotations

from typing import TYPE_CHECKING

from warehouse.words.shares import level_name, percent, signed

if TYPE_CHECKING:
    from warehouse.plans.planned_or_explored import Standing
    from warehouse.questions.contrast import PairComparison
    from warehouse.questions.shares import Rates
    from warehouse.results import Estimate, Interval

FEWEST = 10
"""Cases from which on a group is named in the sentence about the spread of groups."""


def points(value: float | None) -> str:
    """A difference of shares in percentage points."""
    return "not known" if value is None else f"{signed(100 * value)} percentage points"


def points_range(interval: Interval | None) -> str:
    """An interval of differences in percentage points."""
    if interval is None:
        return "no interval"
    return f"{signed(100 * interval.low)} to {signed(100 * interval.high)}"


def difference_said(estimate: Estimate) -> str:
    """A difference with its interval, or why there is none."""
    if estimate.value is None:
        return estimate.warnings[0].text if estimate.warnings else "not known"
    return f"{points(estimate.value)} ({points_range(estimate.interval)})"


def spread_sentence(result: Rates) -> str:
    """From which to which share the groups reach, those with too few cases left out."""
    large = [group for group in result.groups if group.counted.n >= FEWEST and group.rate.value is not None]
    if len(large) < 2:
        return f"Fewer than two groups have {FEWEST} counted cases, so there is nothing to set side by side."
    ordered = sorted(large, key=lambda group: group.rate.value or 0.0)
    low, high = ordered[0], ordered[-1]
    return (
        f"Shares reach from {percent(low.rate.value)} ({low.label}, {low.counted.n:,} counted) to"
        f" {percent(high.rate.value)} ({high.label}, {high.counted.n:,} counted)."
    )


def pair_sentence(found: PairComparison) -> str:
    """The answer of the primary method, in a sentence."""
    first, second = found.labels
    answer = found.answer
    value = answer.difference.value
    if value is None:
        reason = answer.difference.warnings[0].text if answer.difference.warnings else ""
        return f"{first} and {second} cannot be compared. {reason}"
    alike = f" with {_listed(found.adjusted_for)} held alike" if answer.adjusted_for else ""
    interval = answer.difference.interval
    level = level_name(found.level)
    return (
        f"{first[:1].upper()}{first[1:]} against {second}{alike}: a difference of {points(value)} in the share adverse"
        f" ({level} {points_range(interval)})."
    )


def reading_sentence(interval: Interval | None) -> str:
    """Which differences the data are compatible with."""
    if interval is None:
        return "No interval can be given, so the data do not say how large the difference may be."
    if interval.low > 0 or interval.high < 0:
        return "The whole interval lies on one side of no difference. That is an association, not proof of a cause."
    return (
        "The interval takes in no difference: these cases do not show that the groups differ, nor that they are alike."
    )


def unmeasured_sentence(found: PairComparison) -> str:
    """How strong something unmeasured would have to be."""
    if found.e_value.estimate is None:
        return ""
    limit = found.e_value.limit
    beside = f" (for the limit of the interval: {limit:.1f})" if limit is not None else ""
    times = f"{found.e_value.estimate:.1f} times"
    return (
        f"Something nobody recorded would have to be {times} as common in one group, and make an adverse course {times}"
        f" as likely, to explain the ratio away{beside} (E-value)."
    )


def standing_sentences(standing: Standing) -> tuple[str, ...]:
    """Whether this was planned, and how many comparisons have been looked at."""
    told = "Planned beforehand." if standing.kind == "planned" else f"{standing.kind.capitalize()}. {standing.note}"
    kept = "" if standing.is_kept else "This look could not be written down."
    whole = "" if standing.is_whole else "The record of looks was altered."
    return (told, f"{standing.n_comparisons:,} comparisons have been looked at in this warehouse so far.", kept, whole)


def _listed(names: tuple[str, ...]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
