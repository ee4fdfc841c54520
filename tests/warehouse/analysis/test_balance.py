"""Balance before and after weighting: published differences, exact balance, edges."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.warehouse.analysis.weighting_cases import lalonde_pair
from warehouse.analysis.balance import Balance, Denominator, GroupMeans, balances, standardised, variance
from warehouse.analysis.group_pair import pair_groups
from warehouse.analysis.weighting import weighted_comparison
from warehouse.words.sentences import caution_text

LALONDE = "lalonde (MatchIt) balance, IPTW, overlap"
SHORT = {"race=hispan": "hispan", "race=white": "white"}
YES_NO = {"hispan", "white", "married", "nodegree"}


def group_means(column: np.ndarray, first: np.ndarray, weights: np.ndarray) -> GroupMeans:
    """One column of two groups, weighted."""
    frame = pl.DataFrame({"g": np.where(first, "a", "b"), "y": 0.0, "x": column})
    pair = pair_groups(frame, outcome="y", group="g", first="a", second="b", covariates=["x"])
    (row,) = balances(pair, weights)[0].rows
    return row.after


def of_lalonde(target: str = "overlap", denominator: Denominator = "pooled") -> Balance:
    pair = lalonde_pair()
    found = weighted_comparison(pair, target=target)  # type: ignore[arg-type]
    return balances(pair, found.weights, denominator=denominator)[0]


@pytest.mark.parametrize(("denominator", "key"), [("pooled", "raw_smd_pooled_sd"), ("first", "raw_smd_treated_sd")])
def test_crude_differences_of_r(
    denominator: Denominator, key: str, reference_case: Callable[[int, str], dict[str, Any]]
) -> None:
    # R divides yes/no columns by the standard deviation with n - 1; here p(1 - p) is used (Austin 2009)
    computed = reference_case(11, LALONDE)["computed"][key]
    rows = {SHORT.get(row.name, row.name): row.before for row in of_lalonde(denominator=denominator).rows}
    assert set(rows) == set(computed)
    for name, row in rows.items():
        expected = computed[name]
        if name in YES_NO:
            p, q = row.first, row.second
            one, two = p * (1 - p), q * (1 - q)
            ours = one if denominator == "first" else (one + two) / 2
            one, two = one * 185 / 184, two * 429 / 428
            expected *= np.sqrt((one if denominator == "first" else (one + two) / 2) / ours)
        assert row.standardised_difference == pytest.approx(expected, rel=1e-9)


def test_published_differences_by_the_first_groups_spread(
    reference_case: Callable[[int, str], dict[str, Any]], as_printed: Callable[[Any], Any]
) -> None:
    # cobalt and MatchIt vignettes (from memory): age -.3094, re74 -.7211
    expected = reference_case(11, LALONDE)["expected"]
    rows = {row.name: row.before.standardised_difference for row in of_lalonde(denominator="first").rows}
    assert rows["age"] == as_printed(expected["smd_treated_age"])
    assert rows["re74"] == as_printed(expected["smd_treated_re74"])


def test_overlap_weights_balance_to_rounding() -> None:
    # R's own residual, 5e-9, is where its iteration stopped
    found = of_lalonde()
    assert found.largest_after == pytest.approx(0.0, abs=1e-12)
    assert found.largest_before == pytest.approx(1.408, abs=1e-3)
    assert found.warnings == ()
    assert found.sizes == (185, 429)


def test_several_weights_at_once_are_each_as_alone() -> None:
    pair = lalonde_pair()
    weights = [weighted_comparison(pair, target=target).weights for target in ("overlap", "everyone")]
    assert list(balances(pair, *weights)) == [balances(pair, one)[0] for one in weights]


def test_what_is_still_unlike_is_named() -> None:
    found = of_lalonde(target="everyone")
    assert found.largest_after is not None
    assert found.largest_after > 0.1
    assert "age" in caution_text(found.warnings[0])


def test_by_hand() -> None:
    column = np.array([1.0, 3.0, 2.0, 6.0])
    found = group_means(column, np.array([True, True, False, False]), np.ones(4))
    # means 2 and 4, variances 2 and 8: -2 / sqrt(5) and 2 / 8
    assert found.standardised_difference == pytest.approx(-2.0 / np.sqrt(5.0))
    assert found.variance_ratio == pytest.approx(0.25)


def test_yes_no_column_has_no_variance_ratio() -> None:
    found = group_means(np.array([1.0, 0.0, 1.0, 1.0]), np.array([True, True, False, False]), np.ones(4))
    assert found.variance_ratio is None
    # shares 1/2 and 1, variances 1/4 and 0
    assert found.standardised_difference == pytest.approx(-0.5 / np.sqrt(0.125))


@settings(deadline=None)
@given(st.integers(0, 1000))
def test_weight_of_two_is_a_row_given_twice_for_means_and_close_for_variances(seed: int) -> None:
    rng = np.random.default_rng(seed)
    column, first = rng.normal(size=40), np.arange(40) < 15
    weights = rng.integers(1, 3, 40).astype(float)
    times = weights.astype(int)
    weighted = group_means(column, first, weights)
    repeated = group_means(np.repeat(column, times), np.repeat(first, times), np.ones(times.sum()))
    assert weighted.first == pytest.approx(repeated.first)
    assert weighted.second == pytest.approx(repeated.second)
    assert weighted.variance_ratio == pytest.approx(repeated.variance_ratio, rel=0.1)


def test_equal_weights_change_nothing() -> None:
    pair = lalonde_pair()
    for row in balances(pair, np.full(pair.n, 3.0))[0].rows:
        assert row.after.standardised_difference == pytest.approx(row.before.standardised_difference)


def test_empty_group_has_words_and_no_numbers() -> None:
    frame = pl.DataFrame({"g": ["a", "a"], "y": [True, False], "x": [1.0, 2.0]})
    pair = pair_groups(frame, outcome="y", group="g", first="a", second="b", covariates=["x"])
    found = balances(pair, np.empty(0))[0]
    assert found.rows[0].before.first is None
    assert found.rows[0].after.standardised_difference is None
    assert found.largest_before is None
    assert "b" in caution_text(found.warnings[0])


def test_gap_without_spread_has_no_size() -> None:
    assert standardised(0.0, 0.0) == 0.0
    assert standardised(1.0, 0.0) is None
    assert variance(np.array([4.0]), yes_no=False) == 0.0
    assert variance(np.full(3, 43.062), yes_no=False) == 0.0


def test_one_case_a_group_has_neither_spread_nor_ratio() -> None:
    found = group_means(np.array([2.5, 4.0]), np.array([True, False]), np.ones(2))
    assert found.first == 2.5
    assert found.standardised_difference is None
    assert found.variance_ratio is None
