"""Pooling, funnel and drift charts on invented practices with a known truth (slow; fixed seeds)."""

from __future__ import annotations

import math

import numpy as np
import pytest

from warehouse.analysis.drift import plan_cusum, run_cusum
from warehouse.analysis.funnel import funnel
from warehouse.analysis.meta import pool
from warehouse.analysis.meta_effects import logit_effects
from warehouse.analysis.meta_glmm import binomial_normal
from warehouse.analysis.run_length import chance_of_signal

pytestmark = pytest.mark.slow


def practices(rng: np.random.Generator, k: int, *, middle: float, spread: float) -> tuple[list[int], list[int]]:
    totals = rng.integers(40, 160, size=k)
    shares = 1 / (1 + np.exp(-(middle + spread * rng.standard_normal(k))))
    return rng.binomial(totals, shares).tolist(), totals.tolist()


def within_chance(hits: int, runs: int, level: float) -> bool:
    """Whether a hit rate is within three Monte-Carlo standard errors of its nominal level."""
    return abs(hits / runs - level) <= 3 * math.sqrt(level * (1 - level) / runs)


def test_hartung_knapp_keeps_its_level_where_the_normal_interval_does_not() -> None:
    rng = np.random.default_rng(41)
    hksj = wald = 0
    for _ in range(400):
        effects = logit_effects(*practices(rng, 6, middle=-1.2, spread=0.5))
        found = pool(effects)
        hksj += -1.2 in found.estimate.interval
        usual = 1 / math.sqrt(float(np.sum(1 / (effects.v + found.heterogeneity.tau2))))
        wald += abs(found.estimate.value + 1.2) < 1.959964 * usual
    assert within_chance(hksj, 400, 0.95)
    assert wald < hksj
    assert not within_chance(wald, 400, 0.95)


def test_prediction_interval_holds_the_share_of_a_further_practice() -> None:
    rng = np.random.default_rng(42)
    hits = 0
    for _ in range(400):
        found = pool(logit_effects(*practices(rng, 12, middle=-1.0, spread=0.6)))
        hits += -1.0 + 0.6 * rng.standard_normal() in found.prediction
    assert hits / 400 == pytest.approx(0.95, abs=0.035)


def test_model_of_the_counts_keeps_its_level_with_few_events_where_the_corrected_logit_is_biased() -> None:
    rng = np.random.default_rng(43)
    hits, counts_bias, logit_bias = 0, 0.0, 0.0
    for _ in range(80):
        events, totals = practices(rng, 10, middle=-3.8, spread=0.4)
        found = binomial_normal(events, totals)
        hits += -3.8 in found.estimate.interval
        counts_bias += (found.estimate.value + 3.8) / 80
        logit_bias += (pool(logit_effects(events, totals)).estimate.value + 3.8) / 80
    assert within_chance(hits, 80, 0.95)
    assert abs(counts_bias) < 0.1
    assert logit_bias > 2 * abs(counts_bias)


def test_funnel_limits_single_out_the_share_they_promise() -> None:
    rng = np.random.default_rng(44)
    outside = shown = 0
    for _ in range(300):
        totals = rng.integers(30, 200, size=20)
        found = funnel(rng.binomial(totals, 0.2).tolist(), totals.tolist(), [str(i) for i in range(20)], target=0.2)
        outside += sum(point.position != "inside" for point in found.points)
        shown += len(found.points)
    assert outside / shown == pytest.approx(0.05, abs=0.01)


def test_false_alarms_come_as_often_as_planned_and_a_change_is_found() -> None:
    rng = np.random.default_rng(45)
    plan = plan_cusum(in_control=0.15, out_of_control=0.3, false_alarm_run_length=600)
    promised = chance_of_signal(plan.weight_adverse, plan.weight_other, limit=plan.limit, share=0.15, cases=250)
    alarms = sum(bool(run_cusum((rng.random(250) < 0.15).tolist(), plan).signals) for _ in range(600))
    assert alarms / 600 == pytest.approx(promised, abs=3 * math.sqrt(promised * (1 - promised) / 600))
    waits = [run_cusum((rng.random(2000) < 0.3).tolist(), plan).signals[0] for _ in range(300)]
    assert np.mean(waits) == pytest.approx(plan.detection_run_length, rel=0.15)
