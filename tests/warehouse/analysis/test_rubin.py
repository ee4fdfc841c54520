"""Rubin's rules against mice, and their limits."""

from __future__ import annotations

from collections.abc import Callable
from math import inf
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import t as student

from warehouse.analysis.missing import pool
from warehouse.analysis.proportion import wilson_interval
from warehouse.errors import RequestError

many = st.lists(st.floats(-5.0, 5.0), min_size=2, max_size=30)


@pytest.fixture
def case(reference_case: Callable[[int, str], dict[str, Any]]) -> dict[str, Any]:
    """Five invented estimates with R 4.2.2, mice 3.15.0, pool.scalar."""
    return reference_case(16, "Rubin scalar pooling")


def test_rules_of_rubin_1987(case: dict[str, Any]) -> None:
    found = pool(case["data"]["Q"], case["data"]["U"])
    computed = case["computed"]
    assert found.value == pytest.approx(computed["qbar"], rel=1e-11)
    assert found.within == pytest.approx(computed["ubar"], rel=1e-11)
    assert found.between == pytest.approx(computed["b"], rel=1e-11)
    assert found.total == pytest.approx(computed["t"], rel=1e-11)
    assert found.increase == pytest.approx(computed["r"], rel=1e-11)
    assert found.df == pytest.approx(computed["df_rubin"], rel=1e-11)
    assert found.missing_information == pytest.approx(computed["fmi_rubin"], rel=1e-11)


def test_degrees_of_freedom_of_barnard_and_rubin(case: dict[str, Any]) -> None:
    found = pool(case["data"]["Q"], case["data"]["U"], complete_df=99)
    assert found.df == pytest.approx(case["computed"]["df_barnard_rubin_n100_k1"], rel=1e-11)
    assert found.missing_information == pytest.approx(case["computed"]["fmi_br"], rel=1e-11)
    interval = found.interval(0.95)
    half = student.ppf(0.975, case["computed"]["df_barnard_rubin_n100_k1"]) * np.sqrt(0.105)
    assert interval is not None
    assert [interval.low, interval.high] == pytest.approx([1.2 - half, 1.2 + half], rel=1e-9)


def test_nothing_missing_gives_the_complete_data_answer() -> None:
    found = pool([0.3] * 20, [0.01] * 20)
    assert (found.between, found.increase, found.missing_information, found.df) == (0.0, 0.0, 0.0, inf)
    interval = found.interval(0.95)
    assert interval is not None
    assert interval.high == pytest.approx(0.3 + 1.959963984540054 * 0.1)
    # Barnard & Rubin with nothing missing: (df + 1) / (df + 3) df
    assert pool([0.3] * 20, [0.01] * 20, complete_df=49).df == pytest.approx(50 / 52 * 49)


@settings(deadline=None)
@given(st.floats(0.0, 1.0), st.integers(1, 500))
def test_share_interval_is_wilsons_with_nothing_missing(share: float, n: int) -> None:
    ours = pool([share] * 20, [share * (1 - share) / n] * 20).share_interval(n, 0.95)
    wilson = wilson_interval(share, n)
    assert (ours.low, ours.high) == pytest.approx((wilson.low, wilson.high), abs=1e-9)


@settings(deadline=None)
@given(st.lists(st.integers(1, 39), min_size=20, max_size=30))
def test_share_interval_solves_its_equation(counts: list[int]) -> None:
    # (value - p)^2 = t^2 (1 + r) p (1 - p) / n at both limits
    shares = np.array(counts) / 40.0
    found = pool(shares, shares * (1 - shares) / 40.0)
    interval = found.share_interval(40, 0.9)
    for p in (interval.low, interval.high):
        right = found.quantile(0.9) ** 2 * (1 + found.increase) * p * (1 - p) / 40.0
        assert (found.value - p) ** 2 == pytest.approx(right, abs=1e-9)


@settings(deadline=None)
@given(many, st.floats(0.01, 5.0))
def test_pooled_variance_is_never_below_the_mean_one(values: list[float], variance: float) -> None:
    found = pool(values, [variance] * len(values), complete_df=30)
    assert found.total >= variance * (1 - 1e-12)
    assert 0.0 <= found.missing_information <= 1.0
    assert found.df <= 31 / 33 * 30 + 1e-9


@settings(deadline=None)
@given(many)
def test_order_of_the_sets_plays_no_part(values: list[float]) -> None:
    one, two = pool(values, [1.0] * len(values)), pool(values[::-1], [1.0] * len(values))
    assert one.value == pytest.approx(two.value, abs=1e-12)
    assert one.total == pytest.approx(two.total)


def test_no_variance_at_all_has_no_interval() -> None:
    found = pool([2.0, 2.0], [0.0, 0.0])
    assert found.interval(0.95) is None
    assert found.missing_information == 0.0


def test_variance_between_the_sets_alone() -> None:
    found = pool([1.0, 2.0], [0.0, 0.0], complete_df=10)
    assert found.increase == inf
    assert found.df == 0.0
    assert found.interval(0.95) is None
    share = found.share_interval(10, 0.95)
    assert (share.low, share.high) == (0.0, 1.0)


def test_difference_between_sets_that_is_rounding_error_counts_as_none() -> None:
    assert pool([0.0, 4e-131], [1.0, 1.0]).df == inf


@pytest.mark.parametrize(("values", "variances"), [([1.0], [1.0]), ([1.0, 2.0], [1.0])])
def test_too_few_sets_are_refused(values: list[float], variances: list[float]) -> None:
    with pytest.raises(RequestError, match="cannot be pooled"):
        pool(values, variances)
