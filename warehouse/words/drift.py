"""What the charts of drift say, in words."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from warehouse.words.sentences import caution_text, say

if TYPE_CHECKING:
    from warehouse.analysis.drift import CusumPath, Review
    from warehouse.questions.drift import DriftPicture

_MOST: Final = 20  # places and reviews that are listed


def drift_sentences(found: DriftPicture) -> list[str]:
    """The finding first, then how the chart was fixed, then what the others show."""
    if found.path is None:
        return [refused_sentence(found)]
    return [
        finding(found.path),
        plan_sentence(found),
        *run_length_sentences(found),
        average_sentence(found),
        periods_sentence(found),
    ]


def refused_sentence(found: DriftPicture) -> str:
    """Why there is no chart, or empty."""
    return caution_text(found.refused) if found.refused else ""


def finding(path: CusumPath) -> str:
    """Whether the chart signalled, and where."""
    if path.n == 0:
        return say("drift.none_charted")
    if not path.signals:
        return say("drift.no_signal", charted=path.n, stands=path.values[-1], limit=path.plan.limit)
    return say("drift.signal", n=len(path.signals), places=_listed(path.signals), charted=path.n)


def _listed(places: Sequence[int]) -> str:
    listed = ", ".join(str(number) for number in places[-_MOST:])
    return listed if len(places) <= _MOST else say("drift.latest", places=listed, shown=_MOST, n=len(places))


def latest_reviews(found: DriftPicture) -> tuple[tuple[Review, ...], str]:
    """The reviews to list, and a sentence where these are not all."""
    n = len(found.reviews)
    return found.reviews[-_MOST:], say("drift.reviews_latest", shown=_MOST, n=n) if n > _MOST else ""


def reviews_sentence(found: DriftPicture) -> str:
    """After which cases planned reviews were passed; empty before the first."""
    at = [one.case_number for one in found.reviews if one.reached]
    return say("drift.reviews_passed", places=_listed(at)) if at else ""


def plan_sentence(found: DriftPicture) -> str:
    """What the chart was fixed by; empty without one."""
    if found.path is None:
        return ""
    key = "drift.plan_stated" if found.baseline is None else "drift.plan_from_first"
    return say(key, plan=found.path.plan, first=found.baseline)


def run_length_sentences(found: DriftPicture) -> list[str]:
    """How long the chart runs until a signal, by calculation and by simulation; and who could not be charted."""
    usual, changed, path = found.simulated_usual, found.simulated_changed, found.path
    if changed is None or path is None:
        return []
    lost, plan = sum(path.left_out.values()), path.plan
    key = "drift.run_lengths" if usual else "drift.run_length_changed"
    said = say(key, plan=plan, usual=usual, changed=changed)
    key = "drift.false_alarm" if found.baseline is None else "drift.false_alarm_first"
    chance = [] if plan.false_alarm_chance is None else [say(key, cases=plan.cases, chance=plan.false_alarm_chance)]
    return [*chance, said, *([say("drift.not_charted", n=lost)] if lost else [])]


def direction_sentence(path: CusumPath) -> str:
    """Which cases lift the sum: the adverse ones, or the others where it watches for improvement."""
    return say("drift.lifts" if path.plan.out_of_control > path.plan.in_control else "drift.lowers")


def average_sentence(found: DriftPicture) -> str:
    """Where the moving average stands; empty without one."""
    if found.average is None or not found.average.points:
        return ""
    outside = found.average.n_outside
    key = "drift.average_outside" if outside else "drift.average_inside"
    return say(key, share=found.average.points[-1].value, outside=outside, points=len(found.average.points))


def periods_sentence(found: DriftPicture) -> str:
    """Which periods lie outside their limits."""
    outside = [point.label for point in found.periods.points if point.outside]
    return say("drift.periods_outside" if outside else "drift.periods_inside", names=outside)
