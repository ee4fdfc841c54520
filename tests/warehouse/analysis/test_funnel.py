"""Funnel limits, over-dispersion, and that nothing in a funnel is a ranking."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom

from warehouse.analysis.funnel import between_variance, exact_limit, funnel, overdispersion_factor
from warehouse.errors import RequestError
from warehouse.words.sentences import caution_text

REFERENCE = Path(__file__).parents[2] / "reference" / "statistics-check-values.json"


def case(name: str) -> dict[str, Any]:
    cases = json.loads(REFERENCE.read_text(encoding="utf-8"))
    return next(one for one in cases if one["name"] == name)


@pytest.mark.parametrize("row", case("funnel exact binomial limits")["computed"])
def test_exact_limits_of_spiegelhalter(row: dict[str, float]) -> None:
    """Spiegelhalter 2005 A.1.1 (formula from memory), figures computed independently with scipy 1.17."""
    assert float(exact_limit(row["n"], row["theta0"], row["p"])) == pytest.approx(row["limit"], abs=1e-12)


def test_winsorised_and_plain_overdispersion_of_the_baseball_counts() -> None:
    """18 players x 45 at bats (Efron & Morris); figures computed independently."""
    reference = case("overdispersion phi")
    counts, expected = reference["data"]["x"], reference["computed"]
    found = funnel(counts, [45] * 18, [f"p{i:02d}" for i in range(18)])
    assert found.target is not None
    spread = (found.target * (1 - found.target) / 45) ** 0.5
    scores = [(point.share - found.target) / spread for point in found.points]
    assert sorted(scores) == pytest.approx(sorted(expected["z"]), abs=1e-12)
    assert found.phi == pytest.approx(expected["phi_w"], abs=1e-12)
    assert found.target == pytest.approx(sum(counts) / (18 * 45))
    assert overdispersion_factor(expected["z"], winsorise=0) == pytest.approx(expected["phi"], abs=1e-12)


def test_points_go_by_size_and_never_by_rate() -> None:
    found = funnel([1, 9, 5, 2], [10, 10, 50, 20], ["d", "b", "a", "c"], target=0.2)
    assert [(point.n, point.label) for point in found.points] == [(50, "a"), (20, "c"), (10, "b"), (10, "d")]
    assert not any("rank" in name for name in (*found.__slots__, *found.points[0].__slots__))


def test_positions_name_the_outermost_limit_passed() -> None:
    found = funnel([40, 25, 10, 0], [100, 100, 100, 100], ["high", "mid", "low", "none"], target=0.2)
    positions = {point.label: point.position for point in found.points}
    assert positions == {
        "high": "above the 99.8% limit",
        "mid": "inside",
        "low": "below the 95% limit",
        "none": "below the 99.8% limit",
    }


def test_lines_close_in_with_size_and_stay_within_zero_and_one() -> None:
    found = funnel([3, 12], [20, 150], ["a", "b"], target=0.1)
    outer = [line for line in found.lines if line.level == 0.998]
    assert outer[0].n == 1
    assert outer[-1].n >= 150
    assert all(0 <= line.low <= 0.1 <= line.high <= 1 for line in outer)
    assert outer[-1].high - outer[-1].low < outer[10].high - outer[10].low


def test_additive_overdispersion_is_the_moment_estimate_from_winsorised_scores() -> None:
    counts, sizes, labels = _spread()
    found = funnel(counts, sizes, labels, target=0.2, overdispersion="additive")
    w = np.array(sorted(sizes, reverse=True)) / (0.2 * 0.8)
    k = len(sizes)
    by_hand = (k * found.phi - (k - 1)) / (w.sum() - (w**2).sum() / w.sum())
    assert found.tau2 == pytest.approx(by_hand)
    first, plain = found.points[0], funnel(counts, sizes, labels, target=0.2).points[0]
    widening = (1 + by_hand / (0.16 / first.n)) ** 0.5
    assert first.limits[0.95].high - 0.2 == pytest.approx((plain.limits[0.95].high - 0.2) * widening)


def test_no_overdispersion_leaves_the_exact_limits() -> None:
    same = [5] * 12
    found = funnel(same, [25] * 12, [f"{i:02d}" for i in range(12)], overdispersion="additive")
    assert found.points[0].limits[0.95].high == pytest.approx(float(exact_limit(25, 0.2, 0.975)))


def test_chance_limits_over_dispersed_practices_are_flagged() -> None:
    counts, sizes, labels = _spread()
    assert "case mix" in caution_text(funnel(counts, sizes, labels).warnings[0])
    few = funnel(counts[:4], sizes[:4], labels[:4], overdispersion="additive")
    assert "estimated from too few" in caution_text(few.warnings[0])


def test_one_practice_has_no_between_practice_variance() -> None:
    assert between_variance(9.0, np.array([0.01])) == 0
    assert funnel([9], [20], ["only"], target=0.2, overdispersion="additive").tau2 == 0


@pytest.mark.parametrize(("x", "words"), [(0, "No case has"), (10, "Every case has")])
def test_none_or_all_with_the_outcome_is_said_in_words(x: int, words: str) -> None:
    found = funnel([x, x], [10, 10], ["a", "b"])
    assert words in caution_text(found.warnings[0])
    assert dict(found.points[0].limits) == {}
    assert found.lines == ()


def test_practices_without_cases_are_left_out_and_an_empty_group_is_said() -> None:
    assert funnel([1, 0], [10, 0], ["a", "b"], target=0.1).left_out == {"no case assessed": 1}
    nothing = funnel([0], [0], ["a"])
    assert nothing.points == ()
    assert nothing.target is None
    assert "No case was assessed" in caution_text(nothing.warnings[0])


def test_bad_input_is_refused() -> None:
    with pytest.raises(RequestError, match="different length"):
        funnel([1], [2, 3], ["a"])
    with pytest.raises(RequestError, match="above its total"):
        funnel([3], [2], ["a"])
    with pytest.raises(RequestError, match="target of 1"):
        funnel([1], [2], ["a"], target=1.0)


@given(st.integers(1, 400), st.floats(0.02, 0.98), st.sampled_from([0.001, 0.025, 0.975, 0.999]))
@settings(max_examples=80, deadline=None)
def test_a_limit_lies_between_the_two_counts_it_is_drawn_from(n: int, target: float, p: float) -> None:
    limit = n * float(exact_limit(n, target, p))
    r = float(binom.ppf(p, n, target))
    assert r - 1 - 1e-9 <= limit <= r + 1e-9


def _spread() -> tuple[list[int], list[int], list[str]]:
    sizes = [40, 60, 80, 100, 120, 140, 50, 70, 90, 110, 130, 150]
    shares = [0.05, 0.35, 0.1, 0.3, 0.08, 0.34, 0.2, 0.05, 0.38, 0.12, 0.3, 0.2]
    return [round(n * share) for n, share in zip(sizes, shares, strict=True)], sizes, list("abcdefghijkl")
