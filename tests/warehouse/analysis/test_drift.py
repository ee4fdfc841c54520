"""The Bernoulli CUSUM: its path, its plan, its reviews."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest

from warehouse.analysis.drift import (
    CusumPlan,
    llr_weights,
    plan_cusum,
    planned_reviews,
    run_cusum,
    share_at_odds_ratio,
)
from warehouse.errors import RequestError
from warehouse.words.sentences import caution_text

REFERENCE = Path(__file__).parents[2] / "reference" / "statistics-check-values.json"


def case() -> dict[str, Any]:
    cases = json.loads(REFERENCE.read_text(encoding="utf-8"))
    return next(one for one in cases if one["name"] == "Bernoulli LLR CUSUM")


def plan(limit: float = 4.5) -> CusumPlan:
    data = case()["data"]
    return plan_cusum(in_control=data["p0"], out_of_control=share_at_odds_ratio(data["p0"], data["R_A"]), limit=limit)


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


def test_risk_adjusted_path_uses_each_cases_own_share() -> None:
    found = run_cusum([True, False, True], plan(), expected=[0.025, 0.5, 0.1])
    by_risk = case()["computed"]["weights_by_risk"]
    first = by_risk["0.025"]["event"]
    second = first + by_risk["0.5"]["nonevent"]
    assert found.values == pytest.approx([first, second, second + by_risk["0.1"]["event"]], abs=1e-12)
    assert found.expected == (0.025, 0.5, 0.1)
    assert any("case mix" in caution_text(caution) for caution in found.warnings)


def test_a_signal_restarts_the_sum_and_shows_the_value_that_signalled() -> None:
    fixed = plan_cusum(in_control=0.1, out_of_control=0.2, limit=1.3)
    adverse = math.log(2)
    found = run_cusum([True, True, True, False], fixed)
    assert found.signals == (2,)
    assert found.values == pytest.approx([adverse, 2 * adverse, adverse, adverse + math.log(0.8 / 0.9)])
    going_on = run_cusum([True, True, True, False], fixed, restart=False)
    assert going_on.signals == (2,)
    assert going_on.values[2] == pytest.approx(3 * adverse)


def test_without_restart_a_second_crossing_is_a_second_signal() -> None:
    fixed = plan_cusum(in_control=0.4, out_of_control=0.6, limit=0.8)
    found = run_cusum([True, True, False, False, True, True], fixed, restart=False)
    assert found.signals == (2, 6)


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
    tighter = plan_cusum(in_control=0.1, out_of_control=0.2, limit=found.limit - 0.05)
    assert found.false_alarm_run_length >= 500 > tighter.false_alarm_run_length
    assert found.detection_run_length < 0.2 * found.false_alarm_run_length


def test_an_improvement_chart_rises_when_cases_go_well() -> None:
    better = plan_cusum(in_control=0.3, out_of_control=0.15, false_alarm_run_length=300)
    assert better.weight_adverse < 0 < better.weight_other
    found = run_cusum([False] * 40, better)
    assert found.signals
    assert run_cusum([True] * 40, better).values == (0.0,) * 40


def test_reviews_report_only_at_the_planned_points() -> None:
    fixed = plan_cusum(in_control=0.1, out_of_control=0.2, limit=1.3)
    path = run_cusum([False, True, True, False, False, True, False], fixed)
    first, second, third = planned_reviews(path, every=3)
    assert (first.case_number, first.adverse, first.signals, first.reached) == (3, 2, (3,), True)
    assert first.expected == pytest.approx(0.3)
    assert (second.case_number, second.adverse, second.signals) == (6, 3, ())
    assert second.value == pytest.approx(path.values[5])
    assert (third.case_number, third.reached, third.value, third.adverse) == (9, False, None, None)
    assert len(planned_reviews(path, every=3, until=6)) == 2


def test_plans_and_inputs_that_make_no_sense_are_refused() -> None:
    with pytest.raises(RequestError, match="two different shares"):
        plan_cusum(in_control=0.2, out_of_control=0.2, limit=3)
    with pytest.raises(RequestError, match="only one of the two"):
        plan_cusum(in_control=0.1, out_of_control=0.2)
    with pytest.raises(RequestError, match="only one of the two"):
        plan_cusum(in_control=0.1, out_of_control=0.2, limit=3, false_alarm_run_length=100)
    with pytest.raises(RequestError, match="above zero"):
        plan_cusum(in_control=0.1, out_of_control=0.2, limit=0)
    with pytest.raises(RequestError, match="1 expected shares"):
        run_cusum([True, False], plan(), expected=[0.1])
    with pytest.raises(RequestError, match="expected share of 1"):
        run_cusum([True], plan(), expected=[1.0])
    with pytest.raises(RequestError, match="every 0 cases"):
        planned_reviews(run_cusum([True], plan()), every=0)
