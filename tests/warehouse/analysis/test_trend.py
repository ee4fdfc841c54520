"""Cochran-Armitage: Agresti's table, special cases, and words."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import chi2, linregress

from warehouse.analysis.trend import TrendTest, cochran_armitage
from warehouse.analysis.two_group_tests import two_group_test
from warehouse.errors import RequestError
from warehouse.words.sentences import caution_text

pairs = st.integers(0, 80).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
tables = st.lists(pairs, min_size=0, max_size=7)


def trend(table: list[tuple[int, int]], **options: Any) -> TrendTest:
    return cochran_armitage([x for x, _ in table], [n for _, n in table], **options)


@pytest.fixture
def malformation(reference_case: Callable[[int, str], dict[str, Any]]) -> tuple[dict[str, Any], list[int], list[int]]:
    case = reference_case(5, "alcohol & infant malformation")
    data = case["data"]
    totals = [p + a for p, a in zip(data["present"], data["absent"], strict=True)]
    return case, data["present"], totals


def test_agresti_malformation_as_printed(malformation: Any, as_printed: Callable[[Any], Any]) -> None:
    # Agresti, Categorical Data Analysis: M squared = (n - 1) r squared = 6.5699, p = 0.0104
    case, events, totals = malformation
    found = cochran_armitage(events, totals, scores=case["data"]["scores"])
    assert found.mantel_statistic == as_printed(case["expected"]["M2"])
    assert found.mantel_p_value == as_printed(case["expected"]["p"])


def test_agresti_malformation_as_computed(malformation: Any) -> None:
    # R 4.2.2 prop.trend.test
    case, events, totals = malformation
    computed = case["computed"]
    found = cochran_armitage(events, totals, scores=case["data"]["scores"])
    assert found.statistic == pytest.approx(computed["CA_chi2"], rel=1e-9)
    assert found.slope.p_value == pytest.approx(computed["CA_p"], rel=1e-8)
    assert found.mantel_statistic == pytest.approx(computed["M2"], rel=1e-9)
    assert cochran_armitage(events, totals).statistic == pytest.approx(computed["equally_spaced_chi2"], rel=1e-9)


@given(pairs.filter(lambda p: p[1] > 0), pairs.filter(lambda p: p[1] > 0))
def test_two_groups_equal_pearson(first: Any, second: Any) -> None:
    found = trend([first, second])
    if found.statistic is not None:
        pearson = two_group_test(*second, *first, method="pearson")
        assert found.statistic == pytest.approx(pearson.statistic, abs=1e-9)
        assert found.slope.value == pytest.approx(second[0] / second[1] - first[0] / first[1], abs=1e-12)
        assert found.departure_p_value is None


@given(tables)
def test_slope_is_that_of_least_squares_over_cases(table: Any) -> None:
    found = trend(table)
    if found.slope.value is None:
        assert found.slope.warnings
        assert found.statistic is None
        return
    scores = np.concatenate([np.full(n, i) for i, (_, n) in enumerate(table)])
    outcome = np.concatenate([np.arange(n) < x for x, n in table]).astype(float)
    line = linregress(scores, outcome)
    assert found.slope.value == pytest.approx(line.slope, abs=1e-9)
    assert found.statistic == pytest.approx(len(scores) * line.rvalue**2, abs=1e-7)
    assert found.slope.interval.low <= found.slope.value <= found.slope.interval.high


@given(tables)
def test_reversing_the_order_reverses_the_slope(table: Any) -> None:
    one, two = trend(table), trend(table[::-1])
    if one.slope.value is not None:
        assert two.slope.value == pytest.approx(-one.slope.value, abs=1e-12)
        assert two.statistic == pytest.approx(one.statistic, abs=1e-9)


@given(tables, st.floats(0.5, 20.0), st.floats(-50.0, 50.0))
def test_scores_may_be_shifted_and_stretched(table: Any, stretch: Any, shift: Any) -> None:
    one = trend(table)
    two = trend(table, scores=[shift + stretch * i for i in range(len(table))])
    if one.statistic is not None:
        assert two.statistic == pytest.approx(one.statistic, rel=1e-6, abs=1e-9)
        assert two.slope.value * stretch == pytest.approx(one.slope.value, rel=1e-6, abs=1e-9)


@given(tables)
def test_trend_and_departure_add_up_to_pearson(table: Any) -> None:
    found = trend(table)
    if found.departure_statistic is not None:
        kept = np.array([(x, n - x) for x, n in table if n > 0], dtype=float)
        expected = kept.sum(axis=1, keepdims=True) * kept.sum(axis=0) / kept.sum()
        total = float(((kept - expected) ** 2 / expected).sum())
        assert found.statistic + found.departure_statistic == pytest.approx(total, abs=1e-7)
        assert found.departure_p_value == pytest.approx(
            chi2.sf(found.departure_statistic, found.departure_df), abs=1e-9
        )


def test_empty_groups_are_passed_over() -> None:
    scored = cochran_armitage([1, 0, 5], [10, 0, 10], scores=[0, 1, 2])
    assert scored.statistic == cochran_armitage([1, 5], [10, 10], scores=[0, 2]).statistic
    assert scored.slope.n == 20


@pytest.mark.parametrize("table", [[], [(3, 9)], [(0, 0), (0, 0)]])
def test_fewer_than_two_groups_is_said_in_words(table: Any) -> None:
    assert "Fewer than two groups" in caution_text(trend(table).slope.warnings[0])


def test_equal_scores_are_said_in_words() -> None:
    assert "different scores" in caution_text(trend([(1, 9), (2, 9)], scores=[3, 3]).slope.warnings[0])


def test_all_alike_is_said_in_words() -> None:
    assert (
        caution_text(trend([(0, 9), (0, 9), (0, 4)]).slope.warnings[0])
        == "All cases ended alike, so no trend can be tested."
    )


def test_few_events_carry_a_warning() -> None:
    assert [c.kind for c in trend([(1, 9), (2, 9)]).slope.warnings] == ["small_sample"]
    assert trend([(4, 9), (4, 9)]).slope.warnings == ()


def test_impossible_requests_are_refused() -> None:
    with pytest.raises(RequestError, match="group sizes"):
        cochran_armitage([1, 2], [3])
    with pytest.raises(RequestError, match="scores"):
        cochran_armitage([1, 2], [3, 3], scores=[1])
    with pytest.raises(RequestError, match="not a number"):
        cochran_armitage([1, 2], [3, 3], scores=[0, float("nan")])
    with pytest.raises(RequestError, match="not a count"):
        cochran_armitage([4, 2], [3, 3])
