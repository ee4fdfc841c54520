"""Drift in one practice: its cases in the order they finished, against a share fixed beforehand or from its own start.

A chart that says "look" now and then although nothing has changed is part of the method: how often is fixed beforehand
and simulated. The question is about one practice over time, never about one practice against others.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.random import Generator

from warehouse.analysis.control_charts import ControlChart, ewma, p_chart
from warehouse.analysis.drift import (
    CusumPath,
    CusumPlan,
    Review,
    plan_cusum,
    planned_reviews,
    run_cusum,
    share_at_odds_ratio,
)
from warehouse.analysis.proportion import proportion
from warehouse.analysis.run_length import SimulatedRunLength, simulate_run_length
from warehouse.errors import RequestError
from warehouse.marts.reader import Reader
from warehouse.plans.question import Question, Stamp, Stamped, stamp_of
from warehouse.results import Caution, Estimate
from warehouse.selection import Selection
from warehouse.store.quoting import statement

FALSE_ALARM = 500.0
"""Cases until a false alarm, on average (common practice, no source)."""
ODDS_RATIO = 2.0
"""The change worth noticing when none is stated: the odds doubled (common practice, no source)."""
CHANCE = 0.05
"""Chance of a false alarm among the cases at hand (common practice, no source)."""
BASELINE = 40
REVIEW_EVERY = 25
REPEATS = 1000
EWMA_WEIGHT = 0.05
_FEW = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class DriftAsked:
    """What a chart is fixed by, before the cases are looked at."""

    # Share adverse taken as usual; None takes it from the first `baseline` cases counted
    in_control: float | None = None
    out_of_control: float | None = None  # Share that should be noticed; None takes the one at twice the odds
    false_alarm: float = FALSE_ALARM  # Fewest cases until a signal, on average, while nothing has changed
    chance: float = CHANCE  # Largest chance of a signal among the cases at hand while nothing has changed
    baseline: int = BASELINE  # Cases that a share not stated is taken from; they are not charted
    review_every: int = REVIEW_EVERY  # Counted cases between two planned reviews
    # `quarter` or `year` of start for the p-chart; None takes quarters where most hold ten cases
    period: str | None = None


USUALLY_ASKED = DriftAsked()


@dataclass(frozen=True, slots=True, kw_only=True)
class DriftPicture(Stamped):
    """Charts of one practice."""

    practice: str  # Its pseudonym
    baseline: Estimate | None  # Share among the first cases, where the usual share comes from them; else None
    path: CusumPath | None  # The CUSUM, or None where there is none
    reviews: tuple[Review, ...]  # The state at the planned reviews
    simulated_usual: SimulatedRunLength | None  # Simulated cases until a signal while nothing has changed
    simulated_changed: SimulatedRunLength | None  # The same once the share is the one to notice
    average: ControlChart | None  # Exponentially weighted moving average of the same cases
    periods: ControlChart  # Share by period of start
    n_not_due: int  # Cases still in treatment, or with nothing to judge their growth by
    cautions: tuple[Caution, ...]  # What to keep in mind
    refused: Caution | None  # Why there is no chart


@dataclass(frozen=True, slots=True)
class _Case:
    quarter: str
    outcome: bool | None
    is_due: bool


def drift_picture(
    reader: Reader, question: Question, *, asked: DriftAsked = USUALLY_ASKED, seed: int = 1
) -> DriftPicture:
    """Charts of one practice over time; the same seed gives the same simulated run lengths.

    Raises:
        RequestError: The cases are of several practices, or the shares are out of range.
    """
    stamp, rng = stamp_of(reader, question), np.random.default_rng(seed)
    practice = _practice(reader, stamp.selection)
    cases = _cases(reader, stamp)
    start = 0 if asked.in_control is not None else _end_of_baseline(cases, asked.baseline)
    due = [case.outcome for case in cases[start:] if case.is_due]
    baseline, plan, refused = _plan(cases[:start], asked, sum(outcome is not None for outcome in due))
    path = run_cusum(due, plan) if plan else None
    periods = _periods(cases, asked.period, plan.in_control if plan and asked.in_control is not None else None)
    return DriftPicture(
        practice=practice,
        stamp=stamp,
        baseline=baseline,
        path=path,
        reviews=planned_reviews(path, every=asked.review_every) if path else (),
        simulated_usual=_simulated(plan, plan.in_control, rng) if plan else None,
        simulated_changed=_simulated(plan, plan.out_of_control, rng) if plan else None,
        average=_average(path) if path else None,
        periods=periods,
        n_not_due=sum(not case.is_due for case in cases),
        cautions=_cautions(cases, baseline, path, periods),
        refused=refused,
    )


def practices_with_cases(reader: Reader, *, selection: Selection) -> tuple[str, ...]:
    """The practices that a chart can be made of."""
    condition, values = selection.where()
    rows = reader.connection.rows(f"select distinct practice from mart_cases where {condition} order by 1", values)
    return tuple(str(practice) for (practice,) in rows)


def _practice(reader: Reader, selection: Selection) -> str:
    known = practices_with_cases(reader, selection=selection)
    if len(known) > 1:
        found = f"these are the cases of {len(known)} practices"
        expected = "the cases of one practice: drift is about one practice over time"
        raise RequestError(found, expected=expected, remedy="choose one practice")
    return known[0] if known else ", ".join(selection.filters.get("practice", ()))


def _cases(reader: Reader, stamp: Stamp) -> list[_Case]:
    """The cases in order of finish: quarter of start plus months observed, then in the order they were loaded."""
    condition, values = stamp.selection.where()
    query = statement(__package__, "drift.sql", condition=condition)
    rows = reader.connection.rows(query, [stamp.definition.id, *values])
    rows.sort(key=lambda row: (3.0 * _quarter_number(row[0]) + row[3], row[4]))
    verdicts = {"adverse": True, "not adverse": False}
    return [_Case(row[0], verdicts.get(row[1]), row[2] != "in_treatment") for row in rows]


def _quarter_number(quarter: str) -> int:
    return 4 * int(quarter[:4]) + int(quarter[-1]) - 1


def _end_of_baseline(cases: Sequence[_Case], wanted: int) -> int:
    """Where the first ``wanted`` cases counted end; everything where there are not so many."""
    counted = [i for i, case in enumerate(cases) if case.outcome is not None]
    return counted[wanted - 1] + 1 if len(counted) >= wanted > 0 else len(cases)


def _plan(
    first: Sequence[_Case], asked: DriftAsked, n: int
) -> tuple[Estimate | None, CusumPlan | None, Caution | None]:
    """The share among the first cases, the plan, and why there is none."""
    baseline, usual, taken = None, asked.in_control, None
    if usual is None:
        counted = [case.outcome for case in first if case.outcome is not None]
        baseline = proportion(sum(counted), len(counted))
        if len(counted) < asked.baseline:
            numbers = {"n": len(counted), "baseline": asked.baseline}
            return baseline, None, Caution("no_data", "too_few_counted_for_chart", numbers)
        taken = (sum(counted), len(counted))
        usual = (sum(counted) + 0.5) / (len(counted) + 1.0)  # never 0 or 1, where no chart exists
    noticed = share_at_odds_ratio(usual, ODDS_RATIO) if asked.out_of_control is None else asked.out_of_control
    plan = plan_cusum(
        in_control=usual,
        out_of_control=noticed,
        false_alarm_run_length=asked.false_alarm,
        cases=max(n, asked.review_every),
        chance=asked.chance,
        baseline=taken,
    )
    return baseline, plan, None


def _simulated(plan: CusumPlan, share: float, rng: Generator) -> SimulatedRunLength:
    return simulate_run_length(
        plan.weight_adverse, plan.weight_other, limit=plan.limit, share=share, rng=rng, repeats=REPEATS
    )


def _average(path: CusumPath) -> ControlChart:
    usual = path.plan.in_control
    spread = (usual * (1.0 - usual)) ** 0.5
    return ewma([float(one) for one in path.outcomes], target=usual, sd=spread, weight=EWMA_WEIGHT)


def _periods(cases: Sequence[_Case], period: str | None, centre: float | None) -> ControlChart:
    if period not in {None, "quarter", "year"}:
        found = f"there is no period {period!r}"
        raise RequestError(found, expected="quarter or year", remedy="name one of these")
    by_quarter = _by(cases, 7)
    sizes = sorted(n for _, n in by_quarter.values())
    is_fine = bool(sizes) and sizes[len(sizes) // 2] >= _FEW
    chosen = by_quarter if period == "quarter" or (period is None and is_fine) else _by(cases, 4)
    events, totals = [x for x, _ in chosen.values()], [n for _, n in chosen.values()]
    return p_chart(events, totals, list(chosen), centre=centre)


def _by(cases: Sequence[_Case], letters: int) -> dict[str, tuple[int, int]]:
    """Period of start -> adverse, counted; in order of time."""
    found: dict[str, tuple[int, int]] = {}
    for case in cases:
        x, n = found.get(case.quarter[:letters], (0, 0))
        found[case.quarter[:letters]] = (x + (case.outcome is True), n + (case.outcome is not None))
    return dict(sorted(found.items()))


def _cautions(
    cases: Sequence[_Case], baseline: Estimate | None, path: CusumPath | None, periods: ControlChart
) -> tuple[Caution, ...]:
    found = list(path.warnings if path else ())
    if baseline is not None and baseline.interval is not None and path is not None:
        found.append(
            Caution(
                "approximation",
                "usual_share_uncertain",
                {"n": baseline.n, "low": baseline.interval.low, "high": baseline.interval.high},
            )
        )
    if cases:
        found.append(Caution("approximation", "order_of_finish"))
    if any(not case.is_due for case in cases):
        found.append(Caution("approximation", "latest_starts_incomplete"))
    return (*found, *periods.warnings)
