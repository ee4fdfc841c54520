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

from __future__ import annotations

import math
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np

from warehouse.analysis.run_length import expected_run_length, limit_for_run_length
from warehouse.errors import RequestError
from warehouse.plural import number_of
from warehouse.results import Caution

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True)
class CusumPlan:
    """A chart fixed before the data are looked at."""

    in_control: float  # Share adverse taken as usual
    out_of_control: float  # Share adverse that should be noticed
    limit: float  # The sum at which the chart signals
    weight_adverse: float  # What an adverse case adds
    weight_other: float  # What any other case adds
    false_alarm_run_length: float  # Cases until a signal, on average, while nothing has changed
    detection_run_length: float  # Cases until a signal, on average, once the share is `out_of_control`


@dataclass(frozen=True, slots=True, kw_only=True)
class CusumPath:
    """A chart run over the cases."""

    plan: CusumPlan  # The plan it was run by
    values: tuple[float, ...]  # The sum after each assessed case, shape `(n,)`; at a signal, the value that signalled
    outcomes: tuple[bool, ...]  # True for adverse, one an assessed case
    expected: tuple[float, ...]  # In-control share used for each case
    signals: tuple[int, ...]  # Case numbers, from 1, at which the chart signalled
    restarted: bool  # Whether the sum went back to zero after each signal
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
    return (
        math.log(out_of_control / in_control),
        math.log((1 - out_of_control) / (1 - in_control)),
    )


def plan_cusum(
    *,
    in_control: float,
    out_of_control: float,
    false_alarm_run_length: float | None = None,
    limit: float | None = None,
) -> CusumPlan:
    """Fix a chart by its shares and either a false-alarm run length or a limit.

    ``in_control``: share adverse taken as usual, strictly between 0 and 1. ``out_of_control``: share adverse that
    should be noticed; above for worsening, below for improvement. ``false_alarm_run_length``: cases that should pass,
    on average, before a signal while nothing has changed; the smallest limit that gives at least this is taken.
    ``limit``: the limit itself, when it is laid down already.
    """
    _check_shares(in_control, out_of_control)
    if (false_alarm_run_length is None) == (limit is None):
        found = "A drift chart needs a false-alarm run length or a limit, and only one of the two."
        raise RequestError(found, expected="one of them", remedy="state the false-alarm run length")
    adverse, other = llr_weights(in_control, out_of_control)
    if limit is None:
        limit = limit_for_run_length(adverse, other, share=in_control, run_length=float(false_alarm_run_length or 0))
    if limit <= 0:
        found = f"A limit of {limit:g}."
        raise RequestError(found, expected="a limit above zero", remedy="state a larger one")
    return CusumPlan(
        in_control=in_control,
        out_of_control=out_of_control,
        limit=limit,
        weight_adverse=adverse,
        weight_other=other,
        false_alarm_run_length=expected_run_length(adverse, other, limit=limit, share=in_control),
        detection_run_length=expected_run_length(adverse, other, limit=limit, share=out_of_control),
    )


def run_cusum(
    outcomes: Sequence[bool | None],
    plan: CusumPlan,
    *,
    expected: Sequence[float] | None = None,
    restart: bool = True,
) -> CusumPath:
    """Run the chart over the cases in the order given.

    ``outcomes``: True for adverse, False for not, None for not assessable (left out and counted). ``expected``:
    in-control share of each case from a case-mix model, for a risk-adjusted chart; the odds ratio of the plan is then
    applied to each. The run lengths of the plan hold only approximately. ``restart``: whether the sum goes back to zero
    after a signal, so that a second change can show.
    """
    if expected is not None and len(expected) != len(outcomes):
        found = f"{len(outcomes)} outcomes but {len(expected)} expected shares."
        raise RequestError(found, expected="one expected share a case", remedy="check the input")
    kept = [i for i, outcome in enumerate(outcomes) if outcome is not None]
    adverse = [bool(outcomes[i]) for i in kept]
    shares = [plan.in_control if expected is None else float(expected[i]) for i in kept]
    values, signals = _walk(_steps(adverse, shares, plan), plan.limit, restart)
    dropped = len(outcomes) - len(kept)
    return CusumPath(
        plan=plan,
        values=tuple(values),
        outcomes=tuple(adverse),
        expected=tuple(shares),
        signals=tuple(signals),
        restarted=restart,
        n=len(kept),
        left_out=MappingProxyType({"not assessable": dropped} if dropped else {}),
        warnings=_cautions(len(kept), plan, risk_adjusted=expected is not None),
    )


def planned_reviews(path: CusumPath, *, every: int, until: int | None = None) -> tuple[Review, ...]:
    """The state of the chart at reviews planned beforehand, after each ``every`` assessed cases.

    Looking only at planned points keeps the reviews from being called when the chart looks bad; signals between
    two reviews are reported at the later one.

    ``every``: cases between two reviews, >= 1. ``until``: last case number to list a review for; the next one still
    ahead when not given.
    """
    if every < 1:
        found = f"Reviews planned every {every} cases."
        raise RequestError(found, expected="at least 1", remedy="state the spacing of the reviews")
    last = until if until is not None else (path.n // every + 1) * every
    return tuple(_review(path, number, number - every) for number in range(every, last + 1, every))


def _steps(adverse: list[bool], shares: list[float], plan: CusumPlan) -> NDArray[np.float64]:
    odds_ratio = (plan.out_of_control / (1 - plan.out_of_control)) / (plan.in_control / (1 - plan.in_control))
    steps = np.empty(len(adverse))
    for i, (outcome, share) in enumerate(zip(adverse, shares, strict=True)):
        if not 0 < share < 1:
            found = f"An expected share of {share:g}."
            raise RequestError(found, where=f"case {i + 1}", expected="strictly between 0 and 1", remedy="check it")
        yes, no = llr_weights(share, share_at_odds_ratio(share, odds_ratio))
        steps[i] = yes if outcome else no
    return steps


def _walk(steps: NDArray[np.float64], limit: float, restart: bool) -> tuple[list[float], list[int]]:
    value, above = 0.0, False
    values: list[float] = []
    signals: list[int] = []
    for number, step in enumerate(steps, start=1):
        value = max(0.0, value + float(step))
        values.append(value)
        if value >= limit and not above:
            signals.append(number)
        above = value >= limit and not restart
        if value >= limit and restart:
            value = 0.0
    return values, signals


def _review(path: CusumPath, number: int, before: int) -> Review:
    if number > path.n:
        return Review(case_number=number, adverse=None, expected=None, value=None, signals=(), reached=False)
    return Review(
        case_number=number,
        adverse=sum(path.outcomes[:number]),
        expected=math.fsum(path.expected[:number]),
        value=path.values[number - 1],
        signals=tuple(signal for signal in path.signals if before < signal <= number),
        reached=True,
    )


def _cautions(n: int, plan: CusumPlan, *, risk_adjusted: bool) -> tuple[Caution, ...]:
    found = []
    if n == 0:
        found.append(Caution("no_data", "No case has been assessed yet, so the chart has not started."))
    elif n < plan.detection_run_length:
        text = (
            f"{number_of(n, 'case')} so far; even a change to {plan.out_of_control:.0%} would take about "
            f"{plan.detection_run_length:.0f} cases to show, so silence says little."
        )
        found.append(Caution("small_sample", text))
    if risk_adjusted:
        text = "Run lengths were worked out for one share for all cases; with case mix they are approximate."
        found.append(Caution("approximation", text))
    return tuple(found)


def _check_shares(in_control: float, out_of_control: float) -> None:
    if not (0 < in_control < 1 and 0 < out_of_control < 1) or in_control == out_of_control:
        found = f"In-control share {in_control:g} and out-of-control share {out_of_control:g}."
        raise RequestError(
            found, expected="two different shares, both strictly between 0 and 1", remedy="state other shares"
        )
