"""Reading error and growth against a threshold: single cases, the corrected share, the share expected untreated."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import chi2, norm

from warehouse.analysis.misclassification import (
    ErrorVariance,
    Untreated,
    corrected_share,
    exceedance,
    mixed_error,
    share_untreated,
)
from warehouse.errors import RequestError
from warehouse.words.sentences import caution_text

changes = st.lists(st.floats(-10, 10), min_size=1, max_size=30).map(np.array)
EXACT = ErrorVariance(0.0, math.inf)


def test_probability_by_hand() -> None:
    # error of a change: sqrt(2) * 1 = 1.4142; (2.1 - 2) / 1.4142 = 0.0707 -> 0.5282
    found = exceedance([2.1, 2.0, 5.0], 2.0, method_error_sd=1.0)
    assert found == pytest.approx([0.5282, 0.5, 0.9831], abs=5e-5)


def test_reference_spread_adds_to_the_error() -> None:
    found = exceedance([3.0], 2.0, method_error_sd=1.0, reference_sd=math.sqrt(2.0))
    assert found == pytest.approx([norm.sf(-1.0 / 2.0)])


def test_each_case_may_have_its_own_error() -> None:
    found = exceedance([3.0, 3.0], 2.0, method_error_sd=[0.5 / 2**0.5, 2**0.5])
    assert found == pytest.approx(norm.cdf([2.0, 0.5]))


@given(changes, st.floats(-5, 5))
@settings(deadline=None)
def test_without_error_a_case_is_beyond_or_not(change: Any, threshold: Any) -> None:
    found = exceedance(change, threshold, method_error_sd=0.0)
    assert found == pytest.approx((change > threshold).astype(float))


@given(changes, st.floats(-5, 5), st.floats(0.1, 3.0))
@settings(deadline=None)
def test_probability_follows_change_and_threshold(change: Any, threshold: Any, error: Any) -> None:
    ordered = np.sort(change)
    found = exceedance(ordered, threshold, method_error_sd=error)
    assert (np.diff(found) >= -1e-12).all()
    assert (exceedance(ordered, threshold + 1.0, method_error_sd=error) <= found + 1e-12).all()


@given(changes, st.floats(-5, 5), st.floats(0.1, 3.0))
@settings(deadline=None)
def test_below_is_the_mirror_of_above(change: Any, threshold: Any, error: Any) -> None:
    above = exceedance(change, threshold, method_error_sd=error)
    mirrored = exceedance(-change, -threshold, method_error_sd=error)
    assert above + mirrored == pytest.approx(np.ones(change.size))


def test_a_missing_change_has_no_probability() -> None:
    probability = exceedance([1.0, math.nan], 2.0, method_error_sd=0.0)
    assert probability[0] == 0.0
    assert math.isnan(probability[1])


def test_a_negative_error_is_refused() -> None:
    with pytest.raises(RequestError, match="below zero"):
        exceedance([1.0], 2.0, method_error_sd=-1.0)


def test_the_limits_of_an_error_variance_are_chi_squared() -> None:
    # Dahlberg's error has as many degrees of freedom as pairs (differences about zero)
    error = ErrorVariance.of_pairs(0.8, 15)
    assert error.value == pytest.approx(1.28)
    assert error.limits(0.95) == pytest.approx((1.28 * 15 / chi2.ppf(0.975, 15), 1.28 * 15 / chi2.ppf(0.025, 15)))
    assert EXACT.limits(0.95) == (0.0, 0.0)


def test_heavy_tails_of_repeats_take_degrees_of_freedom_off() -> None:
    # Bonett 2006: variance of log variance is (kurtosis - (n - 3) / n) / (n - 1); 2 / df for normal differences
    assert ErrorVariance.of_pairs(0.8, 30, 9.0).df == pytest.approx(2 / ((9.0 - 27 / 30) / 29))
    assert ErrorVariance.of_pairs(0.8, 30, 1.5).df == 30  # never surer than normal ones


def test_errors_of_several_sources_are_mixed_by_their_cases() -> None:
    one, two = ErrorVariance(1.0, 20.0), ErrorVariance(3.0, 10.0)
    mixed = mixed_error([(300.0, one), (100.0, two)])
    assert mixed.value == pytest.approx(1.5)
    # Satterthwaite: (sum)^2 / sum of part^2 / df
    assert mixed.df == pytest.approx(1.5**2 / (0.75**2 / 20 + 0.75**2 / 10))
    assert mixed_error([(5.0, EXACT)]) == EXACT


@given(st.lists(st.floats(-10, 10), min_size=10, max_size=60).map(np.array), st.floats(-5, 5))
@settings(deadline=None)
def test_without_error_the_corrected_share_is_the_count(change: Any, threshold: Any) -> None:
    found = corrected_share(change, threshold, EXACT)
    assert found.value == pytest.approx((change >= threshold - 1e-9).mean())


def test_cases_that_agree_may_be_given_once_with_their_number() -> None:
    seen, error = np.random.default_rng(6).normal(0.3, 1.9, 400).round(1), ErrorVariance.of_pairs(0.8, 20)
    values, weights = np.unique(seen, return_counts=True)
    whole, grouped = corrected_share(seen, 2.0, error), corrected_share(values, 2.0, error, weights=weights)
    assert whole.interval is not None
    assert grouped.interval is not None
    assert (grouped.n, grouped.value) == (400, pytest.approx(whole.value, abs=1e-12))
    limits = (whole.interval.low, whole.interval.high)
    assert (grouped.interval.low, grouped.interval.high) == pytest.approx(limits, abs=1e-9)


def test_normal_changes_are_corrected_to_the_true_share() -> None:
    rng = np.random.default_rng(1)
    true = rng.normal(-0.1, 1.5, 200_000)
    seen = true + rng.normal(0.0, 0.8 * math.sqrt(2), true.size)
    found = corrected_share(seen, 2.0, ErrorVariance.of_pairs(0.8, 100_000))
    assert (seen >= 2.0).mean() > norm.sf(1.4) + 0.04  # error makes rare events look commoner
    assert found.value == pytest.approx(norm.sf(1.4), abs=0.003)
    below = corrected_share(-seen, -2.0, ErrorVariance.of_pairs(0.8, 100_000))
    assert below.value == pytest.approx(1.0 - (found.value or 0.0), abs=1e-6)


def test_few_pairs_make_the_interval_wide() -> None:
    seen = np.random.default_rng(2).normal(-0.1, 1.9, 700)
    widths = []
    for pairs in (15, 30, 100, 10_000):
        interval = corrected_share(seen, 2.0, ErrorVariance.of_pairs(0.8, pairs)).interval
        assert interval is not None
        widths.append(interval.high - interval.low)
    assert widths == sorted(widths, reverse=True)
    assert widths[0] > 1.5 * widths[-1]


@pytest.mark.parametrize("pairs", [15, 100])
@pytest.mark.parametrize("df", [0, 5])
def test_the_interval_covers_the_true_share(pairs: int, df: int) -> None:
    # 300 cohorts of 150, normal or Student's t with 5 df throughout; a few points below 95% are conceded to heavy tails
    rng, hits = np.random.default_rng(3), 0

    def draw(n: int) -> Any:
        return rng.standard_normal(n) if not df else rng.standard_t(df, n) / math.sqrt(df / (df - 2))

    truth = float(norm.sf(1.4)) if not df else 0.0652  # P(t5 > 1.4 sqrt(5 / 3)): scipy.stats.t.sf
    for _ in range(300):
        seen = -0.1 + 1.5 * draw(150) + 0.8 * (draw(150) - draw(150))
        apart = 0.8 * (draw(pairs) - draw(pairs))
        sem = math.sqrt(float((apart**2).mean()) / 2)
        kurtosis = float((apart**4).mean() / (apart**2).mean() ** 2)
        interval = corrected_share(seen, 2.0, ErrorVariance.of_pairs(sem, pairs, kurtosis)).interval
        hits += interval is None or truth in interval  # seldom: the error seems to explain all the spread
    least = 0.95 if not df else 0.92
    assert hits / 300 > least - 3.0 * math.sqrt(least * (1 - least) / 300)


def test_what_cannot_be_corrected_is_said() -> None:
    few = corrected_share([1.0, 4.0, 5.0], 2.0, ErrorVariance.of_pairs(0.8, 30))
    assert "too few to take reading error out" in caution_text(few.warnings[0])
    alike = corrected_share(np.linspace(1.0, 1.4, 20), 2.0, ErrorVariance.of_pairs(1.0, 30))
    assert "cannot be told apart" in caution_text(alike.warnings[0])
    assert few.value is alike.value is None
    with pytest.raises(RequestError):
        corrected_share([1.0] * 10, 2.0, EXACT, level=95)


def untreated(**values: float) -> Untreated:
    given = {"weight": 50.0, "threshold": 2.0, "mean": 0.0, "mean_se": 0.0, "growth_sd": 1.8} | values
    return Untreated(**{name: np.array([value]) for name, value in given.items()}, error=(EXACT,))


def test_the_share_expected_untreated_by_a_published_spread() -> None:
    # Ueno 2012 (thesis, abstract): the mandibular plane changed by -0.6 (SD 1.8) degrees over 2.2 years in 50 untreated
    # children; ordinary growth of -0.3 a year takes off -0.66, so 0.06 is left: P(N(0.06, 1.8) >= 2) = 0.1406
    found = share_untreated(untreated(mean=0.06), children=50)
    assert found.value == pytest.approx(norm.sf((2.0 - 0.06) / 1.8), abs=1e-8)
    assert found.value == pytest.approx(0.141, abs=0.001)
    # limits of an SD from 50 children: chi-squared on 49 degrees of freedom
    low, high = (norm.sf(1.94 / (1.8 * math.sqrt(49 / chi2.ppf(end, 49)))) for end in (0.975, 0.025))
    assert found.interval is not None
    assert (found.interval.low, found.interval.high) == pytest.approx((low, high), abs=1e-6)


def test_reading_error_and_doubt_of_the_mean_widen_what_is_expected() -> None:
    plain = share_untreated(untreated(), children=50)
    doubted = share_untreated(untreated(mean_se=0.25), children=50)
    assert plain.interval is not None
    assert doubted.interval is not None
    assert doubted.interval.low < plain.interval.low
    assert doubted.interval.high > plain.interval.high
    assert share_untreated(untreated(), children=None).interval is None
    nothing = share_untreated(untreated(growth_sd=math.nan), children=50)
    assert nothing.value is None
    assert "is not known" in caution_text(nothing.warnings[0])
