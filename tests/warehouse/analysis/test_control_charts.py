"""EWMA against the NIST handbook; p-chart against the funnel's limits."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest

from warehouse.analysis.control_charts import ewma, p_chart
from warehouse.errors import RequestError
from warehouse.words.sentences import caution_text

REFERENCE = Path(__file__).parents[2] / "reference" / "statistics-check-values.json"


def case() -> dict[str, Any]:
    cases = json.loads(REFERENCE.read_text(encoding="utf-8"))
    return next(one for one in cases if one["name"] == "NIST EWMA")


def test_ewma_of_the_nist_handbook() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.4: two printed decimals; its lower limit 47.4115 is cut, not rounded."""
    reference = case()
    data, printed = reference["data"], reference["expected"]
    assert data["k"] == 3
    found = ewma(data["y"], target=data["ewma0"], sd=data["s"], weight=data["lam"])
    assert [point.value for point in found.points] == pytest.approx(printed["ewma"][1:], abs=5.01e-3)
    # the handbook draws the limits at which these end: those of point t over sqrt(1 - (1 - weight)^2t)
    halves = [(p.high - 50) / math.sqrt(1 - 0.7 ** (2 * t)) for t, p in enumerate(found.points, 1)]
    assert halves == pytest.approx([printed["UCL"] - 50] * len(halves), abs=5e-5)
    assert halves == pytest.approx([50 - printed["LCL"]] * len(halves), abs=1e-4)
    assert [point.value for point in found.points] == pytest.approx(reference["computed"]["ewma"][1:], abs=1e-12)
    assert halves == pytest.approx([50 - reference["computed"]["LCL"]] * len(halves), abs=1e-12)
    assert not any(point.outside for point in found.points)


def test_exact_ewma_limits_widen_from_the_start() -> None:
    data = case()["data"]
    found = ewma(data["y"], target=50, sd=data["s"])
    assert [point.high for point in found.points[:3]] == pytest.approx(case()["computed"]["varying_UCL_t123"])


def test_ewma_leaves_out_missing_values_and_flags_a_shift() -> None:
    found = ewma([1.0, None, float("nan"), 5.0, 5.0], target=1.0, sd=0.5)
    assert found.left_out == {"no value": 2}
    assert [point.outside for point in found.points] == [False, True, True]
    assert "no value to average" in caution_text(ewma([None], target=1, sd=1).warnings[0])


def test_ewma_refuses_settings_without_meaning() -> None:
    with pytest.raises(RequestError, match="weight of 0"):
        ewma([1.0], target=0, sd=1, weight=0)


def test_exact_limits_are_shifted_up_for_a_rare_outcome() -> None:
    exact = p_chart([3], [40], ["1"], centre=0.05).points[0]
    assert exact.high > 0.05 + 3 * math.sqrt(0.05 * 0.95 / 40)  # normal limits
    assert exact.low == 0


def test_the_pooled_share_is_the_centre_where_none_is_stated() -> None:
    # Montgomery, Introduction to Statistical Quality Control, exercise 6-1: 117 of 2000 (seen second-hand)
    assert p_chart([60, 57], [1000, 1000], ["a", "b"]).centre == pytest.approx(0.0585)


def test_p_chart_marks_periods_outside_and_keeps_the_order_of_time() -> None:
    found = p_chart([2, 30, 1], [50, 50, 50], ["2023-Q1", "2023-Q2", "2023-Q3"], centre=0.05)
    assert [point.label for point in found.points] == ["2023-Q1", "2023-Q2", "2023-Q3"]
    assert [point.outside for point in found.points] == [False, True, False]
    assert found.warnings == ()


def test_empty_periods_have_no_value_and_small_ones_a_caution() -> None:
    found = p_chart([0, 1], [0, 5], ["a", "b"])
    assert found.points[0].value is None
    assert not found.points[0].outside
    texts = " ".join(caution_text(caution) for caution in found.warnings)
    assert "partly hidden" in texts
    assert "fewer than ten cases" in texts
    assert "No case was assessed" in caution_text(p_chart([0], [0], ["a"]).warnings[0])


def test_a_centre_without_spread_is_said() -> None:
    found = p_chart([0, 0], [30, 40], ["a", "b"])
    assert (found.points[0].low, found.points[0].high) == (0, 0)
    assert any("no spread" in caution_text(caution) for caution in found.warnings)


def test_bad_periods_are_refused() -> None:
    with pytest.raises(RequestError, match="different length"):
        p_chart([1], [2], [])
    with pytest.raises(RequestError, match="above its total"):
        p_chart([3], [2], ["a"])
