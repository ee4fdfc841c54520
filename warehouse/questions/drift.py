"""Drift in one practice: its cases in the order they finished, against a share fixed beforehand or from its own start.

A chart that says "look" now and then although nothing has changed is part of the method: how often is fixed beforehand
and simulated. The question is about one practice over time, never about one practice against others.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl
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
from warehouse.marts.outcome_sql import outcomes_of
from warehouse.marts.reader import Reader
from warehouse.plans.question import Question, Stamp, Stamped, stamp_of
from warehouse.results import Caution, Estimate
from warehouse.selection import Selection
from warehouse.store.quoting import statement

FALSE_ALARM = 500.0  # cases until a false alarm, on average (common practice, no source)
ODDS_RATIO = 2.0  # the change worth noticing when none is stated: the odds doubled (common practice, no source)
CHANCE = 0.05  # chance of a false alarm among the cases at hand (common practice, no source)
BASELINE = 40
REVIEW_EVERY = 25
REPEATS = 1000
LONGEST_SIMULATED = 25_000
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
    # Simulated cases until a signal while nothing has changed; None beyond `LONGEST_SIMULATED`
    simulated_usual: SimulatedRunLength | None
    simulated_changed: SimulatedRunLength | None  # The same once the share is the one to notice
    average: ControlChart | None  # Exponentially weighted moving average of the same cases
    periods: ControlChart  # Share by period of start
    n_not_due: int  # Cases still in treatment, or with nothing to judge their growth by
    cautions: tuple[Caution, ...]  # What to keep in mind
    refused: Caution | None  # Why there is no chart


def drift_picture(
    reader: Reader, question: Question, *, asked: DriftAsked = USUALLY_ASKED, seed: int = 1
) -> DriftPicture:
    """Charts of one practice over time; the same seed gives the same simulated run lengths.

    Raises RequestError: the cases are of several practices, or the shares are out of range.
    """
    stamp, rng = stamp_of(reader, question), np.random.default_rng(seed)
    practice = _practice(reader, stamp.selection)
    cases = _cases(reader, stamp)
    start = 0 if asked.in_control is not None else _end_of_baseline(cases, asked.baseline)
    due = cases[start:].filter("is_due")["adverse"].to_list()
    baseline, plan, refused = _plan(cases[:start], asked, sum(outcome is not None for outcome in due))
    path = run_cusum(due, plan) if plan else None
    usual = plan.in_control if plan else 0.0
    spread = (usual * (1.0 - usual)) ** 0.5
    is_short = plan is not None and plan.false_alarm_run_length <= LONGEST_SIMULATED
    periods = _periods(cases, asked.period, plan.in_control if plan and asked.in_control is not None else None)
    return DriftPicture(
        practice=practice,
        stamp=stamp,
        baseline=baseline,
        path=path,
        reviews=planned_reviews(path, every=asked.review_every) if path else (),
        simulated_usual=_simulated(plan, plan.in_control, rng) if is_short and plan else None,
        simulated_changed=_simulated(plan, plan.out_of_control, rng) if plan else None,
        average=ewma(path.outcomes, target=usual, sd=spread, weight=EWMA_WEIGHT) if path else None,
        periods=periods,
        n_not_due=cases.height - int(cases["is_due"].sum()),
        cautions=_cautions(cases, baseline, path, periods, asked.chance),
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


def _cases(reader: Reader, stamp: Stamp) -> pl.DataFrame:
    """One row a case: quarter of start, whether adverse (null: not counted), whether it is due; in order of finish."""
    condition, values = stamp.selection.where()
    query = statement(__package__, "drift.sql", outcomes=outcomes_of(stamp.definition), condition=condition)
    return reader.connection.frame(query, values)


def _end_of_baseline(cases: pl.DataFrame, wanted: int) -> int:
    """Where the first ``wanted`` cases counted end; everything where there are not so many."""
    counted = cases["adverse"].is_not_null().arg_true()
    return int(counted[wanted - 1]) + 1 if len(counted) >= wanted > 0 else cases.height


def _plan(first: pl.DataFrame, asked: DriftAsked, n: int) -> tuple[Estimate | None, CusumPlan | None, Caution | None]:
    """The share among the first cases, the plan, and why there is none."""
    baseline, usual, taken = None, asked.in_control, None
    if usual is None:
        counted = first["adverse"].drop_nulls()
        baseline = proportion(int(counted.sum()), len(counted))
        if len(counted) < asked.baseline:
            numbers = {"n": len(counted), "baseline": asked.baseline}
            return baseline, None, Caution("no_data", "too_few_counted_for_chart", numbers)
        taken = (int(counted.sum()), len(counted))
        usual = (int(counted.sum()) + 0.5) / (len(counted) + 1.0)  # never 0 or 1, where no chart exists
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


def _periods(cases: pl.DataFrame, period: str | None, centre: float | None) -> ControlChart:
    if period not in {None, "quarter", "year"}:
        raise RequestError(f"there is no period {period!r}", expected="quarter or year", remedy="name one of these")
    by_quarter = _by(cases, 7)
    sizes = sorted(by_quarter["n"])
    is_fine = bool(sizes) and sizes[len(sizes) // 2] >= _FEW
    chosen = by_quarter if period == "quarter" or (period is None and is_fine) else _by(cases, 4)
    return p_chart(chosen["adverse"].to_list(), chosen["n"].to_list(), chosen["period"].to_list(), centre=centre)


def _by(cases: pl.DataFrame, letters: int) -> pl.DataFrame:
    """One row a period of start: adverse, counted; in order of time."""
    grouped = cases.group_by(period=pl.col("quarter").cast(pl.String).str.slice(0, letters))
    return grouped.agg(pl.col("adverse").sum().cast(pl.Int64), n=pl.col("adverse").count()).sort("period")


def _cautions(
    cases: pl.DataFrame, baseline: Estimate | None, path: CusumPath | None, periods: ControlChart, chance: float
) -> tuple[Caution, ...]:
    found = list(path.warnings if path else ())
    stated = path.plan.false_alarm_chance if path else None
    if stated is not None and stated > chance:
        found.append(Caution("approximation", "false_alarms_too_likely", {"chance": stated, "asked": chance}))
    if baseline is not None and baseline.interval is not None and path is not None:
        found.append(
            Caution(
                "approximation",
                "usual_share_uncertain",
                {"n": baseline.n, "low": baseline.interval.low, "high": baseline.interval.high},
            )
        )
    if not cases.is_empty():
        found.append(Caution("approximation", "order_of_finish"))
    if not cases["is_due"].all():
        found.append(Caution("approximation", "latest_starts_incomplete"))
    return (*found, *periods.warnings)
