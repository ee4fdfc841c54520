"""The Bernoulli CUSUM: its path, its plan, its reviews."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from warehouse.analysis.drift import (
    CusumPlan,
    llr_weights,
    plan_cusum,
    planned_reviews,
    run_cusum,
    share_at_odds_ratio,
)
from warehouse.analysis.run_length import chance_of_signal, expected_run_length
from warehouse.errors import RequestError
from warehouse.words.sentences import caution_text

REFERENCE = Path(__file__).parents[2] / "reference" / "statistics-check-values.json"


def case() -> dict[str, Any]:
    cases = json.loads(REFERENCE.read_text(encoding="utf-8"))
    return next(one for one in cases if one["name"] == "Bernoulli LLR CUSUM")


def with_limit(in_control: float, out_of_control: float, limit: float) -> CusumPlan:
    """A chart with a limit of its own, and the run lengths that go with it."""
    made = plan_cusum(in_control=in_control, out_of_control=out_of_control, false_alarm_run_length=100)
    weights = (made.weight_adverse, made.weight_other)
    lengths = [expected_run_length(*weights, limit=limit, share=share) for share in (in_control, out_of_control)]
    return replace(made, limit=limit, false_alarm_run_length=lengths[0], detection_run_length=lengths[1])


def plan(limit: float = 4.5) -> CusumPlan:
    data = case()["data"]
    return with_limit(data["p0"], share_at_odds_ratio(data["p0"], data["R_A"]), limit)


def test_path_and_weights_of_steiner() -> None:
    """Steiner 2000 (formula from memory; made-up sequence), figures computed independently."""
    computed = case()["computed"]
    found = run_cusum([bool(x) for x in case()["data"]["seq"]], plan())
    assert found.plan.weight_adverse == pytest.approx(computed["w_event"], abs=1e-12)
    assert found.plan.weight_other == pytest.approx(computed["w_nonevent"], abs=1e-12)
    assert found.values == pytest.approx(computed["path"], abs=1e-12)
    assert found.signals == ()


@pytest.mark.parametrize(("share", "weights"), list(case()["computed"]["weights_by_risk"].items()))
def test_risk_adjusted_weights(share: str, weights: dict[str, float]) -> None:
    risk = float(share)
    doubled = llr_weights(risk, share_at_odds_ratio(risk, 2))
    halved = llr_weights(risk, share_at_odds_ratio(risk, 0.5))
    assert doubled == pytest.approx((weights["event"], weights["nonevent"]), abs=1e-12)
    assert halved == pytest.approx((weights["event_halved"], weights["nonevent_halved"]), abs=1e-12)


def test_a_signal_restarts_the_sum_and_shows_the_value_that_signalled() -> None:
    fixed = with_limit(0.1, 0.2, 1.3)
    adverse = math.log(2)
    found = run_cusum([True, True, True, False], fixed)
    assert found.signals == (2,)
    assert found.values == pytest.approx([adverse, 2 * adverse, adverse, adverse + math.log(0.8 / 0.9)])


def test_not_assessable_cases_are_left_out_and_counted() -> None:
    found = run_cusum([True, None, False], plan())
    assert found.n == 2
    assert found.left_out == {"not assessable": 1}
    assert found.outcomes == (True, False)


def test_no_case_yet_and_few_cases_are_said_in_words() -> None:
    assert "has not started" in caution_text(run_cusum([], plan()).warnings[0])
    assert "silence says little" in caution_text(run_cusum([False] * 3, plan()).warnings[0])


def test_plan_by_false_alarm_run_length_meets_it() -> None:
    found = plan_cusum(in_control=0.1, out_of_control=0.2, false_alarm_run_length=500)
    tighter = with_limit(0.1, 0.2, found.limit - 0.05)
    assert found.false_alarm_run_length >= 500 > tighter.false_alarm_run_length
    assert found.detection_run_length < 0.2 * found.false_alarm_run_length


def test_an_improvement_chart_rises_when_cases_go_well() -> None:
    better = plan_cusum(in_control=0.3, out_of_control=0.15, false_alarm_run_length=300)
    assert better.weight_adverse < 0 < better.weight_other
    found = run_cusum([False] * 40, better)
    assert found.signals
    assert run_cusum([True] * 40, better).values == (0.0,) * 40


def test_reviews_report_only_at_the_planned_points() -> None:
    fixed = with_limit(0.1, 0.2, 1.3)
    path = run_cusum([False, True, True, False, False, True, False], fixed)
    first, second, third = planned_reviews(path, every=3)
    assert (first.case_number, first.adverse, first.signals, first.reached) == (3, 2, (3,), True)
    assert first.expected == pytest.approx(0.3)
    assert (second.case_number, second.adverse, second.signals) == (6, 3, ())
    assert second.value == pytest.approx(path.values[5])
    assert (third.case_number, third.reached, third.value, third.adverse) == (9, False, None, None)
    assert len(planned_reviews(path, every=3)) == 3


def test_plans_and_inputs_that_make_no_sense_are_refused() -> None:
    with pytest.raises(RequestError, match="two different shares"):
        plan_cusum(in_control=0.2, out_of_control=0.2, false_alarm_run_length=100)
    with pytest.raises(RequestError, match="every 0 cases"):
        planned_reviews(run_cusum([True], plan()), every=0)


def test_a_chart_is_tuned_to_the_cases_at_hand() -> None:
    loose = plan_cusum(in_control=0.13, out_of_control=0.23, false_alarm_run_length=500)
    tuned = plan_cusum(in_control=0.13, out_of_control=0.23, false_alarm_run_length=500, cases=200, chance=0.05)
    adverse, other = tuned.weight_adverse, tuned.weight_other

    def chance(limit: float) -> float:
        return chance_of_signal(adverse, other, limit=limit, share=0.13, cases=200)

    assert chance(loose.limit) > 0.25  # what a run length of 500 leaves in 200 cases
    assert tuned.false_alarm_chance == pytest.approx(chance(tuned.limit))
    assert 0.045 < chance(tuned.limit) <= 0.05
    assert tuned.false_alarm_run_length > loose.false_alarm_run_length >= 500


def test_a_usual_share_from_few_first_cases_is_allowed_for_and_where_it_cannot_be_the_plan_says_so() -> None:
    asked = {"in_control": 0.134, "out_of_control": 0.236, "false_alarm_run_length": 500.0, "chance": 0.05}
    stated = plan_cusum(**asked, cases=200)  # type: ignore[arg-type]
    first = plan_cusum(**asked, cases=200, baseline=(5, 40))  # type: ignore[arg-type]
    too_many = plan_cusum(**asked, cases=500, baseline=(5, 40))  # type: ignore[arg-type]
    assert first.false_alarm_chance is not None
    assert too_many.false_alarm_chance is not None
    assert too_many.limit > first.limit > stated.limit
    assert 0.045 < first.false_alarm_chance <= 0.05 < too_many.false_alarm_chance
    # the same by drawing: the usual share from its posterior, then the cases
    rng = np.random.default_rng(11)
    shares = rng.beta(5.5, 35.5, 4_000)
    sums, signalled = np.zeros(4_000), np.zeros(4_000, dtype=bool)
    for _ in range(200):
        step = np.where(rng.random(4_000) < shares, first.weight_adverse, first.weight_other)
        sums = np.maximum(0.0, sums + step)
        signalled |= sums >= first.limit
    assert float(signalled.mean()) == pytest.approx(first.false_alarm_chance, abs=0.012)
