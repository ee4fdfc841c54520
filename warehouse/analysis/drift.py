"""Is the share with an adverse outcome drifting in one practice? The Bernoulli log-likelihood-ratio CUSUM.

Cases are taken one by one in the order they finished. Each adds the log of how much more likely its outcome is at
the stated out-of-control share than at the in-control share; the sum is held at zero from below and signals when it
reaches the limit:

``W = ln(p1 / p0)`` for an adverse case, ``ln((1 - p1) / (1 - p0))`` otherwise; ``C = max(0, C + W)``.

A signal is a reason to look (case mix, method of measurement, technique), not a verdict. The order matters and
cases must be consecutive. A chart for improvement has ``p1 < p0``.

Source: Steiner, Cook, Farewell & Treasure 2000, Biostatistics 1:441 (formula from memory); how long such a chart
runs is in ``run_length``.
"""

import math
from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import accumulate
from types import MappingProxyType

from warehouse.analysis.run_length import chance_of_signal, expected_run_length, limit_for_chance, limit_for_run_length
from warehouse.errors import RequestError
from warehouse.results import Caution

_MOST_TUNED = 1_000  # cases that a chart is tuned to at most
# Cases until a false alarm, on average, beyond which a chart of a stated share is not made slower: it would see nothing
# any more. First cases leave the usual share so open that only a slow chart holds the chance.
_LONGEST_TUNED, _LONGEST_FROM_FIRST = 20_000, 1e7
_PARTS = 25  # equal parts of the posterior of a usual share


@dataclass(frozen=True, slots=True, kw_only=True)
class CusumPlan:
    """A chart fixed before the data are looked at."""

    in_control: float  # Share adverse taken as usual
    out_of_control: float  # Share adverse that should be noticed
    limit: float  # The sum at which the chart signals
    weight_adverse: float  # What an adverse case adds
    weight_other: float  # What any other case adds
    false_alarm_run_length: float  # Cases until a signal, on average, while nothing has changed
    # Chance of a signal within `cases` cases while nothing has changed, over what the usual share may be where it was
    # taken from the first cases; None where the chart was not tuned to a number of cases
    false_alarm_chance: float | None = None
    cases: int = 0
    detection_run_length: float  # Cases until a signal, on average, once the share is `out_of_control`


@dataclass(frozen=True, slots=True, kw_only=True)
class CusumPath:
    """A chart run over the cases."""

    plan: CusumPlan  # The plan it was run by
    values: tuple[float, ...]  # The sum after each assessed case, shape `(n,)`; at a signal, the value that signalled
    outcomes: tuple[bool, ...]  # True for adverse, one an assessed case
    expected: tuple[float, ...]  # In-control share used for each case
    signals: tuple[int, ...]  # Case numbers, from 1, at which the chart signalled
    restarted: bool = True  # The sum goes back to zero after each signal
    n: int  # Assessed cases
    left_out: Mapping[str, int]  # Reason -> number of cases not used
    warnings: tuple[Caution, ...]  # Cautions to show with the chart


@dataclass(frozen=True, slots=True, kw_only=True)
class Review:
    """What is on the table at one planned review."""

    case_number: int  # The review falls after this many assessed cases
    adverse: int | None  # Adverse cases up to then
    expected: float | None  # Adverse cases expected up to then while in control
    value: float | None  # The sum at the review
    signals: tuple[int, ...]  # Case numbers of the signals since the review before
    reached: bool  # Whether that many cases exist yet; where not, all but `expected` of the plan is None


def share_at_odds_ratio(share: float, odds_ratio: float) -> float:
    """The share whose odds are ``odds_ratio`` times those of ``share``: ``R p / (1 - p + R p)``."""
    return odds_ratio * share / (1 - share + odds_ratio * share)


def llr_weights(in_control: float, out_of_control: float) -> tuple[float, float]:
    """What an adverse and any other case add: ``ln(p1 / p0)`` and ``ln((1 - p1) / (1 - p0))``."""
    return (math.log(out_of_control / in_control), math.log((1 - out_of_control) / (1 - in_control)))


def plan_cusum(
    *,
    in_control: float,
    out_of_control: float,
    false_alarm_run_length: float,
    cases: int = 0,
    chance: float = 1.0,
    baseline: tuple[int, int] | None = None,
) -> CusumPlan:
    """Fix a chart by its shares and false-alarm run length.

    ``in_control``: share adverse taken as usual, strictly between 0 and 1. ``out_of_control``: share adverse that
    should be noticed; above for worsening, below for improvement. ``false_alarm_run_length``: cases that should pass,
    on average, before a signal while nothing has changed; the smallest limit that gives at least this is taken, and a
    larger one where a signal within ``cases`` cases would be likelier than ``chance``, as far as the chart then still
    sees anything. ``baseline``: adverse and counted
    cases that the usual share was taken from; the chance is then the mean over Jeffreys' posterior of it.
    """
    _check_shares(in_control, out_of_control)
    adverse, other = llr_weights(in_control, out_of_control)
    limit = limit_for_run_length(adverse, other, share=in_control, run_length=false_alarm_run_length)
    shares, tuned = _possible(in_control, baseline), min(cases, _MOST_TUNED)
    if tuned:
        longest = max(false_alarm_run_length, _LONGEST_TUNED if baseline is None else _LONGEST_FROM_FIRST)
        most = limit_for_run_length(adverse, other, share=in_control, run_length=longest)
        limit = limit_for_chance(adverse, other, shares=shares, cases=tuned, chance=chance, least=limit, most=most)
    return CusumPlan(
        in_control=in_control,
        out_of_control=out_of_control,
        limit=limit,
        weight_adverse=adverse,
        weight_other=other,
        false_alarm_run_length=expected_run_length(adverse, other, limit=limit, share=in_control),
        false_alarm_chance=chance_of_signal(adverse, other, limit=limit, share=shares, cases=tuned) if tuned else None,
        cases=tuned,
        detection_run_length=expected_run_length(adverse, other, limit=limit, share=out_of_control),
    )


def _possible(share: float, baseline: tuple[int, int] | None) -> list[float]:
    """What the usual share may be, every value as likely: itself, or the middles of equal parts of its posterior."""
    from scipy.special import betaincinv

    if baseline is None:
        return [share]
    adverse, n = baseline
    parts = [(i + 0.5) / _PARTS for i in range(_PARTS)]
    return [float(betaincinv(adverse + 0.5, n - adverse + 0.5, part)) for part in parts]


def run_cusum(outcomes: Sequence[bool | None], plan: CusumPlan) -> CusumPath:
    """Run the chart over the cases in the order given; after a signal the sum starts again from zero.

    ``outcomes``: True for adverse, False for not, None for not assessable (left out and counted).
    """
    adverse = [bool(outcome) for outcome in outcomes if outcome is not None]
    values: list[float] = []
    signals: list[int] = []
    value, odds_ratio = 0.0, _odds(plan.out_of_control) / _odds(plan.in_control)
    yes, no = llr_weights(plan.in_control, share_at_odds_ratio(plan.in_control, odds_ratio))
    for number, outcome in enumerate(adverse, start=1):
        value = max(0.0, value + (yes if outcome else no))
        values.append(value)
        if value >= plan.limit:
            signals.append(number)
            value = 0.0
    dropped = len(outcomes) - len(adverse)
    return CusumPath(
        plan=plan,
        values=tuple(values),
        outcomes=tuple(adverse),
        expected=(plan.in_control,) * len(adverse),
        signals=tuple(signals),
        n=len(adverse),
        left_out=MappingProxyType({"not assessable": dropped} if dropped else {}),
        warnings=_cautions(len(adverse), plan),
    )


def _odds(share: float) -> float:
    return share / (1 - share)


def planned_reviews(path: CusumPath, *, every: int) -> tuple[Review, ...]:
    """The state of the chart at reviews planned beforehand, after each ``every`` assessed cases.

    Looking only at planned points keeps the reviews from being called when the chart looks bad; signals between
    two reviews are reported at the later one.

    ``every``: cases between two reviews, >= 1; the next one still ahead is listed too.
    """
    if every < 1:
        found = f"Reviews planned every {every} cases."
        raise RequestError(found, expected="at least 1", remedy="state the spacing of the reviews")
    adverse = list(accumulate(path.outcomes, initial=0))
    reached = [_review(path, number, every, adverse[number]) for number in range(every, path.n + 1, every)]
    ahead = (path.n // every + 1) * every
    return (*reached, Review(case_number=ahead, adverse=None, expected=None, value=None, signals=(), reached=False))


def _review(path: CusumPath, number: int, every: int, adverse: int) -> Review:
    first, last = (bisect_right(path.signals, at) for at in (number - every, number))
    return Review(
        case_number=number,
        adverse=adverse,
        expected=number * path.plan.in_control,
        value=path.values[number - 1],
        signals=path.signals[first:last],
        reached=True,
    )


def _cautions(n: int, plan: CusumPlan) -> tuple[Caution, ...]:
    found = []
    if n == 0:
        found.append(Caution("no_data", "chart_not_started"))
    elif n < plan.detection_run_length:
        found.append(
            Caution(
                "small_sample",
                "too_early_to_see",
                {"n": n, "share": plan.out_of_control, "needed": plan.detection_run_length},
            )
        )
    return tuple(found)


def _check_shares(in_control: float, out_of_control: float) -> None:
    if not (0 < in_control < 1 and 0 < out_of_control < 1) or in_control == out_of_control:
        found = f"In-control share {in_control:g} and out-of-control share {out_of_control:g}."
        raise RequestError(
            found, expected="two different shares, both strictly between 0 and 1", remedy="state other shares"
        )
