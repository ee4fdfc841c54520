"""E-values: VanderWeele and Ding's examples, and words."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from warehouse.analysis.evalue import (
    e_value_from_risk_ratio,
    e_value_of_limits,
    e_value_of_ratio,
)
from warehouse.analysis.ratio import risk_ratio
from warehouse.errors import RequestError
from warehouse.results import Estimate, Interval
from warehouse.words.sentences import caution_text


def ratio(value: float, low: float, high: float) -> Estimate:
    return Estimate(
        estimand="risk ratio", value=value, interval=Interval(low, high), method="given", n=100, unit="ratio"
    )


@pytest.mark.parametrize(("index", "key"), [(0, "breastfeeding"), (1, "leukaemia")])
def test_vanderweele_and_ding_2017(
    index: int, key: str, reference_case: Callable[[int, str], dict[str, Any]], as_printed: Callable[[Any], Any]
) -> None:
    # VanderWeele & Ding 2017, Ann Intern Med 167:268
    case = reference_case(10, "E-value")
    found = e_value_from_risk_ratio(ratio(*case["data"]["cases"][index]))
    assert [found.estimate, found.limit] == as_printed(case["expected"][key])
    assert [found.estimate, found.limit] == pytest.approx(case["computed"][key], abs=1e-12)


@given(st.floats(0.01, 100.0))
def test_a_ratio_and_its_reciprocal_have_the_same_e_value(value: Any) -> None:
    assert e_value_of_ratio(value) == pytest.approx(e_value_of_ratio(1 / value))
    assert e_value_of_ratio(value) >= max(value, 1 / value) - 1e-12


@given(st.floats(1.0, 50.0))
def test_e_value_rises_with_the_ratio_and_explains_it_exactly(value: Any) -> None:
    e = e_value_of_ratio(value)
    assert e * e / (2 * e - 1) == pytest.approx(value)  # the bounding factor of two equal confounder ratios
    assert e_value_of_ratio(value + 0.1) > e


def test_an_interval_that_includes_one_has_a_limit_of_one() -> None:
    assert e_value_of_limits(1.4, 0.9, 2.2) == 1.0
    assert e_value_from_risk_ratio(ratio(1.4, 0.9, 2.2)).limit == 1.0


def test_the_limit_is_the_one_nearer_to_one() -> None:
    assert e_value_of_limits(3.9, 1.8, 8.7) == e_value_of_ratio(1.8)
    assert e_value_of_limits(0.8, 0.71, 0.91) == e_value_of_ratio(0.91)


def test_an_endless_ratio_still_has_a_limit() -> None:
    estimate = risk_ratio(8, 20, 0, 20)
    found = e_value_from_risk_ratio(estimate)
    assert found.estimate is None
    assert found.limit == e_value_of_ratio(estimate.interval.low)


def test_a_ratio_of_zero_has_no_upper_end() -> None:
    found = e_value_from_risk_ratio(risk_ratio(0, 20, 8, 20))
    assert found.estimate == math.inf
    assert found.limit < math.inf
    assert "no upper end" in caution_text(found.warnings[0])
    assert e_value_of_ratio(math.inf) == math.inf


def test_no_estimate_is_said_in_words() -> None:
    found = e_value_from_risk_ratio(risk_ratio(0, 20, 0, 20))
    assert (found.estimate, found.limit) == (None, None)
    assert found.warnings[0].kind == "no_data"


def test_negative_ratios_are_refused() -> None:
    with pytest.raises(RequestError, match="logarithm"):
        e_value_of_ratio(-0.4)
