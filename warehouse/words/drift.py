"""What the charts of drift say, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from warehouse.words.shares import percent

if TYPE_CHECKING:
    from warehouse.analysis.drift import CusumPath
    from warehouse.questions.drift import DriftPicture


def drift_sentences(found: DriftPicture) -> list[str]:
    """The finding first, then how the chart was fixed, then what the others show."""
    if found.path is None:
        return [found.refused]
    return [
        finding(found.path),
        plan_sentence(found),
        *run_length_sentences(found),
        average_sentence(found),
        periods_sentence(found),
    ]


def finding(path: CusumPath) -> str:
    """Whether the chart signalled, and where."""
    if path.n == 0:
        return "No case has been charted yet."
    if not path.signals:
        stand = f"the sum stands at {path.values[-1]:.2f}, the limit is {path.plan.limit:.2f}"
        return f"No signal in {path.n} cases charted; {stand}."
    places = ", ".join(str(number) for number in path.signals)
    many = "Signal at case" if len(path.signals) == 1 else "Signals at cases"
    return (
        f"{many} {places} of {path.n} charted: a reason to look (whom the practice treats, how it measures, what it"
        " does), not a verdict."
    )


def plan_sentence(found: DriftPicture) -> str:
    """What the chart was fixed by; empty without one."""
    if found.path is None:
        return ""
    plan = found.path.plan
    source = f"from the first {found.baseline.n} cases" if found.baseline is not None else "stated beforehand"
    return (
        f"Usual share {percent(plan.in_control)} ({source}); share to notice {percent(plan.out_of_control)};"
        f" limit {plan.limit:.2f}."
    )


def run_length_sentences(found: DriftPicture) -> list[str]:
    """How long the chart runs until a signal, by calculation and by simulation; and who could not be charted."""
    usual, changed, path = found.simulated_usual, found.simulated_changed, found.path
    if usual is None or changed is None or path is None:
        return []
    planned = path.plan
    ends = f"{usual.interval.low:.0f} to {usual.interval.high:.0f}"
    return [
        f"While nothing changes a signal comes after {planned.false_alarm_run_length:.0f} cases on average (simulated"
        f" {usual.mean:.0f}, {ends}; half of them before {usual.median:.0f}); once the share has changed, after"
        f" {planned.detection_run_length:.0f} (simulated {changed.mean:.0f}).",
        *([f"Due but not known, and so not charted: {lost}."] if (lost := sum(path.left_out.values())) else []),
    ]


def average_sentence(found: DriftPicture) -> str:
    """Where the moving average stands; empty without one."""
    if found.average is None or not found.average.points:
        return ""
    n, outside = len(found.average.points), sum(point.outside for point in found.average.points)
    last = found.average.points[-1]
    where = f"{outside} of {n} points lie outside its limits" if outside else "never outside its limits"
    return f"The moving average stands at {percent(last.value)}, {where}."


def periods_sentence(found: DriftPicture) -> str:
    """Which periods lie outside their limits."""
    outside = [point.label for point in found.periods.points if point.outside]
    if not outside:
        return "No period of start lies outside the limits of its size."
    return f"Outside the limits of their size: {', '.join(outside)}."
