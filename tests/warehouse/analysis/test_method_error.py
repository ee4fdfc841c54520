"""Tracing error: public repeat readings, a worked table, definitions, and words."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import chi2, ttest_rel

from warehouse.analysis.method_error import (
    MDC95_FACTOR,
    dahlberg,
    method_error,
    random_error,
    systematic_bias,
)
from warehouse.errors import RequestError
from warehouse.words.sentences import caution_text

# Ten repeated tracings, sum of squared differences 4.5 (worked by hand)
FIRST = [32.0, 35.5, 28.0, 40.0, 36.5, 30.0, 33.0, 38.5, 27.5, 34.0]
SECOND = [32.5, 35.0, 29.0, 39.5, 36.5, 30.5, 32.0, 38.0, 28.0, 35.0]
readings = st.lists(st.tuples(st.floats(20, 45), st.floats(20, 45)), min_size=0, max_size=30).map(
    lambda rows: (np.array([a for a, _ in rows]), np.array([b for _, b in rows]))
)


@pytest.fixture
def flow(reference_case: Callable[[int, str], dict[str, Any]]) -> dict[str, Any]:
    """Peak expiratory flow of 17 people, two meters, read twice (Bland & Altman 1986, Lancet i:307)."""
    return reference_case(12, "Bland-Altman PEFR")


@pytest.mark.parametrize(("meter", "printed", "index"), [("wright", 15.3, 0), ("mini", 19.9, 1)])
def test_dahlberg_equals_the_published_within_subject_sd(meter: Any, printed: Any, index: int, flow: Any) -> None:
    # Bland & Altman 1996, BMJ 312:1654: within-subject SD 15.3 and 19.9 (from memory)
    data, computed = flow["data"], flow["computed"]
    pair = (data[f"{meter}1"], data[f"{meter}2"])
    assert dahlberg(*pair).value == pytest.approx(printed, abs=0.05)
    assert dahlberg(*pair).value == pytest.approx(computed[f"dahlberg_{meter}"], abs=1e-9)
    assert random_error(*pair).value == pytest.approx(computed["MME"][index], abs=1e-9)
    assert 34 * dahlberg(*pair).value ** 2 == pytest.approx(computed["sumsq"][index], abs=1e-6)


def test_worked_table_of_ten_tracings() -> None:
    found = method_error(FIRST, SECOND)
    assert found.dahlberg.value == pytest.approx(0.47434, abs=5e-6)
    assert found.random.value == pytest.approx(0.49441, abs=5e-6)
    assert found.bias.value == pytest.approx(-0.10)
    assert found.bias.p_value == pytest.approx(0.66178, abs=5e-6)
    assert found.mdc == pytest.approx(1.31481, abs=5e-5)
    assert found.n == 10


@pytest.mark.parametrize(("error", "mdc"), [(0.5, 1.386), (1.0, 2.772), (5.0, 13.859)])
def test_least_real_change_is_2_772_errors(error: Any, mdc: Any) -> None:
    found = method_error(np.array([0.0, 2.0**0.5 * error]), np.array([2.0**0.5 * error, 0.0]))
    assert found.dahlberg.value == pytest.approx(error)
    assert found.mdc == pytest.approx(mdc, abs=5e-4)


def test_least_real_change_is_always_that_of_95_percent() -> None:
    # the published tables multiply by the same number
    assert MDC95_FACTOR == 1.96 * 2.0**0.5
    for level in (0.8, 0.95, 0.99):
        found = method_error(FIRST, SECOND, level=level)
        assert found.mdc == found.dahlberg.value * MDC95_FACTOR


@given(readings.filter(lambda r: len(r[0]) > 1))
@settings(deadline=None)
def test_bias_equals_the_paired_t_test(pair: Any) -> None:
    found = systematic_bias(*pair)
    assert found.value == pytest.approx(float((pair[0] - pair[1]).mean()))
    if found.interval is not None and np.ptp(pair[0] - pair[1]) > 1e-6:
        reference = ttest_rel(*pair)
        limits = reference.confidence_interval()
        assert found.p_value == pytest.approx(reference.pvalue, rel=1e-6, abs=1e-12)
        assert [found.interval.low, found.interval.high] == pytest.approx([limits.low, limits.high], rel=1e-6)


@given(readings)
@settings(deadline=None)
def test_never_raises_and_intervals_hold_the_estimate(pair: Any) -> None:
    found = method_error(*pair)
    for estimate in (found.dahlberg, found.random, found.bias):
        if estimate.interval is not None:
            assert estimate.interval.low <= estimate.value <= estimate.interval.high
        else:
            assert estimate.warnings
    assert (found.mdc is None) == (len(pair[0]) == 0)


@given(readings.filter(lambda r: len(r[0]) > 1))
@settings(deadline=None)
def test_error_splits_into_random_and_systematic(pair: Any) -> None:
    found, n = method_error(*pair), len(pair[0])
    whole = 2 * n * found.dahlberg.value**2
    assert whole == pytest.approx(2 * (n - 1) * found.random.value**2 + n * found.bias.value**2, abs=1e-6)


@given(readings.filter(lambda r: len(r[0]) > 0))
@settings(deadline=None)
def test_swapping_readings_turns_only_the_bias(pair: Any) -> None:
    one, two = method_error(*pair), method_error(*pair[::-1])
    assert two.dahlberg == one.dahlberg
    assert two.bias.value == pytest.approx(-one.bias.value, abs=1e-12)
    assert two.random.value == (pytest.approx(one.random.value) if one.random.value is not None else None)


def test_error_interval_is_chi_squared() -> None:
    found = dahlberg(FIRST, SECOND)
    squares = 10 * found.value**2
    assert found.interval.low == pytest.approx(math.sqrt(squares / chi2.ppf(0.975, 10)))
    assert found.interval.high == pytest.approx(math.sqrt(squares / chi2.ppf(0.025, 10)))


def test_reliability_by_hand() -> None:
    # both readings together have variance SS/19 about their mean
    every = np.array([*FIRST, *SECOND])
    expected = 1 - 0.225 / every.var(ddof=1)
    assert method_error(FIRST, SECOND).reliability == pytest.approx(expected)
    assert method_error([3.0, 3.0], [3.0, 3.0]).reliability is None
    assert method_error([3.0], [3.0]).reliability is None


def test_pairs_with_a_missing_reading_are_left_out_and_counted() -> None:
    found = dahlberg([1.0, 2.0, math.nan], [1.5, math.nan, 3.0])
    assert found.n == 1
    assert found.left_out == {"a reading missing": 2}


def test_no_pair_is_said_in_words() -> None:
    found = method_error([], [])
    said = [caution_text(e.warnings[0]) for e in (found.dahlberg, found.bias)]
    assert said == ["No record was read twice; one is needed."] * 2
    assert caution_text(found.random.warnings[0]) == "No record was read twice; two are needed."
    assert caution_text(random_error([1.0], [2.0]).warnings[0]) == "Only one record was read twice; two are needed."


def test_differences_that_do_not_vary_have_no_t_test() -> None:
    found = systematic_bias([3.0, 4.0, 5.0], [2.0, 3.0, 4.0])
    assert (found.value, found.interval, found.p_value) == (1.0, None, None)
    assert caution_text(found.warnings[-1]).startswith("The differences do not vary")
    assert systematic_bias([3.0], [2.0]).interval is None


def test_few_records_carry_a_warning() -> None:
    assert caution_text(dahlberg([1.0], [2.0]).warnings[0]) == "Only 1 repeated record; at least 25 are customary."
    assert dahlberg(np.arange(25.0), np.arange(25.0) + 0.1).warnings == ()


def test_impossible_requests_are_refused() -> None:
    with pytest.raises(RequestError):
        dahlberg([1.0], [1.0, 2.0])
    with pytest.raises(RequestError):
        random_error([1.0], [1.0], level=95)
