"""Odds ratios: symmetries, zero cells in words, and statsmodels (published values: two-group reference)."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from warehouse.analysis.odds_ratio import odds_ratio
from warehouse.errors import RequestError
from warehouse.words.sentences import caution_text

counts = st.integers(0, 200).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
inner = counts.filter(lambda c: 0 < c[0] < c[1])


@given(inner, inner)
@settings(max_examples=25, deadline=None)
def test_woolf_equals_statsmodels(first: Any, second: Any) -> None:
    from statsmodels.stats.contingency_tables import Table2x2

    (x1, n1), (x2, n2) = first, second
    reference = Table2x2([[x1, n1 - x1], [x2, n2 - x2]])
    estimate = odds_ratio(x1, n1, x2, n2)
    assert estimate.value == pytest.approx(reference.oddsratio)
    assert (estimate.interval.low, estimate.interval.high) == pytest.approx(reference.oddsratio_confint())
    assert estimate.p_value == pytest.approx(reference.log_oddsratio_pvalue(), abs=1e-12)


@given(counts, counts)
@settings(max_examples=60, deadline=None)
def test_never_raises_and_holds_the_estimate(first: Any, second: Any) -> None:
    estimate = odds_ratio(*first, *second)
    if estimate.interval is None:
        assert estimate.value is None
        assert estimate.warnings
    elif estimate.value is not None:
        assert estimate.interval.low * (1 - 1e-6) <= estimate.value <= estimate.interval.high * (1 + 1e-6)


@given(counts, counts)
@settings(max_examples=40, deadline=None)
def test_swapping_groups_inverts_the_result(first: Any, second: Any) -> None:
    one, two = odds_ratio(*first, *second), odds_ratio(*second, *first)
    if one.value and two.value:
        assert two.value == pytest.approx(1 / one.value, rel=1e-5)
        assert two.interval.low * one.interval.high == pytest.approx(1.0, rel=1e-5)


def test_zero_cell_adds_one_half_and_says_so() -> None:
    estimate = odds_ratio(0, 10, 4, 10)
    assert estimate.value == pytest.approx(0.5 * 6.5 / (10.5 * 4.5))
    assert [c.kind for c in estimate.warnings] == ["approximation"]


@pytest.mark.parametrize("counted", [(0, 5, 0, 9), (5, 5, 9, 9)])
def test_all_alike_is_said_in_words(counted: Any) -> None:
    estimate = odds_ratio(*counted)
    assert estimate.value is None
    assert caution_text(estimate.warnings[0]).startswith("All cases ended alike")


def test_empty_group_is_said_in_words() -> None:
    assert caution_text(odds_ratio(0, 0, 3, 9).warnings[0]).startswith("The first group has no assessed case")


def test_impossible_requests_are_refused() -> None:
    with pytest.raises(RequestError):
        odds_ratio(3, 2, 1, 2)
