"""Findings in words: one sentence a colleague can say aloud, and numbers set the same way everywhere."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

from warehouse.plural import number_of

if TYPE_CHECKING:
    from warehouse.cases.flow import Flow
    from warehouse.disclosure import Count
    from warehouse.questions.shares import GroupRow, Rates
    from warehouse.questions.spread import ChangePicture
    from warehouse.questions.threshold import ThresholdCurve
    from warehouse.repeats.error_band import ErrorBand
    from warehouse.results import Estimate, Interval

CAUTION = (
    "This describes an audit of past cases. It is not a diagnosis and not advice on treatment, and a difference between"
    " groups is an association, not proof of a cause. Local codes, ethics and data-protection rules and the judgement"
    " of licensed clinicians come first."
)
NOTHING_COUNTED = "no case could be counted"


class _Rated(Protocol):
    """Anything that has a share."""

    @property
    def rate(self) -> Estimate: ...


def percent(share: float | None, *, digits: int = 1) -> str:
    """A share as a percentage; words where there is none."""
    return NOTHING_COUNTED if share is None else f"{100 * share:.{digits}f}%"


def percent_range(interval: Interval | None, *, digits: int = 1) -> str:
    """An interval of shares."""
    if interval is None:
        return "no interval"
    return f"{100 * interval.low:.{digits}f}% to {100 * interval.high:.{digits}f}%"


def level_name(level: float) -> str:
    """The name of an interval of this level."""
    return f"{100 * level:g}% interval"


def cases(n: int) -> str:
    """A number of cases."""
    return number_of(n, "case")


def answer_sentence(group: GroupRow) -> str:
    """What a share says, with its n and interval, as far as it may be told."""
    rate, counted, adverse = group.rate, group.counted, group.adverse
    if counted.value == 0:
        return "No case could be counted, so these data say nothing about the share."
    if rate.value is None or rate.interval is None:
        if counted.value is None or adverse.state != "small":
            return "The share is not shown: it rests on a count that is hidden."
        few = adverse.shown.capitalize()
        return f"{few} of the {cases(counted.value)} counted went adverse; the exact share is not shown."
    interval = f"{level_name(rate.interval.level)} {percent_range(rate.interval)}"
    if adverse.value == 0:
        return (
            f"None of the {cases(rate.n)} counted went adverse; the data are still compatible with a share"
            f" of up to {percent(rate.interval.high, digits=0)} ({interval})."
        )
    return f"Of the {cases(rate.n)} counted, {adverse.shown} went adverse: {percent(rate.value)} ({interval})."


def headline(result: Rates) -> str:
    """The answer in one sentence."""
    (group,) = result.groups
    return answer_sentence(group)


def benchmark_sentence(group: _Rated, *, share: float = 0.10) -> str:
    """Whether the data are compatible with a share that people talk about, such as one case in ten."""
    interval = group.rate.interval
    named = f"{percent(share, digits=0)} (one case in {1 / share:.0f})"
    if group.rate.value is None or interval is None:
        return f"These data cannot say whether the share is above or below {named}."
    if interval.low > share:
        return f"The whole interval lies above {named}: in these cases the share was higher than that."
    if interval.high < share:
        return f"The whole interval lies below {named}: in these cases the share was lower than that."
    return f"The interval takes in {named}: these cases do not show that the share is above it, nor below it."


def bounds_sentence(group: GroupRow) -> str:
    """What the missing could do to the share."""
    if group.missing.value is None or (group.missing.value and group.if_none.value is None):
        return "How many outcomes are due but not known is not shown, nor what they could do to the share."
    if group.missing.value == 0:
        return "No case whose outcome is due is missing."
    return (
        f"The outcome of {cases(group.missing.value)} is due but not known. Had none of them gone adverse the share"
        f" would be {percent(group.if_none.value)}; had all of them, {percent(group.if_all.value)}."
    )


def flow_sentence(flow: Flow) -> str:
    """The denominator in one sentence."""
    parts = [_counted_of_started(flow.stages[0].cases.value, flow.stages[-1].cases.value)]
    if flow.turned_away.value != 0:
        parts.append(f"Handed over but turned away by the checks, and in no figure: {_so_many(flow.turned_away)}.")
    if flow.selected.value != 0:
        parts.append(f"Picked out rather than taken in order, and left out: {_so_many(flow.selected)}.")
    if flow.not_due.value != 0:
        parts.append(f"Still in treatment and not due: {_so_many(flow.not_due)}.")
    return " ".join(parts)


def _so_many(count: Count) -> str:
    """A number of cases, as far as it may be told."""
    if count.value is not None:
        return cases(count.value)
    return f"{count.shown} cases" if count.state == "small" else "a number of cases that is not shown"


def _counted_of_started(started: int | None, counted: int | None) -> str:
    if started is None or counted is None:
        return "How many of the cases started could be counted is not shown: it rests on a count that is hidden."
    share = f" ({percent(counted / started, digits=0)})" if started else ""
    return f"{counted:,} of the {cases(started)} started could be counted{share}."


def shares_of_groups(result: Rates) -> list[str]:
    """One sentence a group, in the order shown."""
    return [f"{group.label}: {answer_sentence(group)}" for group in result.groups]


def change_sentence(picture: ChangePicture) -> str:
    """How far the counted cases moved: the middle half, the mean, and how many lie beyond the threshold."""
    if picture.part is None or picture.quartiles is None:
        return "No case could be counted, so there is no change to describe."
    lower, median, upper = picture.quartiles
    threshold = f"{picture.part.threshold:g} {picture.unit}"
    parts = [
        f"Of the {cases(picture.n)} counted, the middle one moved by {signed(median)} {picture.unit} and half of them"
        f" lie between {signed(lower)} and {signed(upper)} (plus is worse).",
        f"{picture.n_beyond:,} moved by {threshold} or more.",
    ]
    if picture.n_within_error:
        parts.append(f"{picture.n_within_error:,} of those are not called adverse: it may be measuring error.")
    return " ".join(parts)


def threshold_sentence(curve: ThresholdCurve) -> str:
    """How the share moves with the threshold: at the one in force, half of it and twice it, where these were tried."""
    if curve.part is None or curve.n == 0:
        return "There is no single threshold to move."
    wanted = (curve.part.threshold / 2, curve.part.threshold, 2 * curve.part.threshold)
    shown = [point for point in curve.points if point.threshold in wanted]
    listed = "; ".join(f"at {point.threshold:g}, {percent(point.rate.value)}" for point in shown)
    return f"The share adverse depends on where the line is drawn: {listed}. In force is {curve.part.threshold:g}."


def error_sentence(band: ErrorBand, unit: str) -> str:
    """How large a change must be to be more than measuring error, and where that is known from."""
    if band.mdc95 is None:
        return f"Measuring error. {band.said}"
    return f"A change within {band.mdc95:.1f} {unit} may be measuring error alone (MDC95). {band.said}"


def signed(value: float, *, digits: int = 1) -> str:
    """A change with its sign; one that rounds to nothing has none."""
    text = f"{abs(value):.{digits}f}"
    mark = "" if float(text) == 0 else "+" if value > 0 else "−"
    return f"{mark}{text}"
