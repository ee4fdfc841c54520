"""Probability of a true change beyond a threshold: formulas, limits, calibration, and words."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from warehouse.analysis.misclassification import exceedance, expected_share
from warehouse.analysis.proportion import wilson_interval
from warehouse.errors import RequestError
from warehouse.words.sentences import caution_text

changes = st.lists(st.floats(-10, 10), min_size=1, max_size=30).map(np.array)


def test_flat_prior_by_hand() -> None:
    # error of a change: sqrt(2) * 1 = 1.4142; (2.1 - 2) / 1.4142 = 0.0707 -> 0.5282
    found = exceedance([2.1, 2.0, 5.0], 2.0, method_error_sd=1.0)
    assert found.probability == pytest.approx([0.5282, 0.5, 0.9831], abs=5e-5)
    assert found.expected_change == pytest.approx([2.1, 2.0, 5.0])
    assert (found.cohort_mean, found.cohort_sd, found.observed_sd) == (None, None, None)


def test_reference_spread_adds_to_the_error() -> None:
    found = exceedance([3.0], 2.0, method_error_sd=1.0, reference_sd=math.sqrt(2.0))
    assert found.probability == pytest.approx([norm.sf(-1.0 / 2.0)])


def test_each_case_may_have_its_own_error() -> None:
    found = exceedance([3.0, 3.0], 2.0, method_error_sd=[0.5 / 2**0.5, 2**0.5])
    assert found.probability == pytest.approx(norm.cdf([2.0, 0.5]))


def test_shrunken_probability_equals_numerical_integration() -> None:
    observed = np.array([4.0, 1.0, -2.0, 0.5, 3.0, 1.5])
    found = exceedance(observed, 2.0, method_error_sd=0.8, prior="empirical_bayes")
    error, mean, spread = 0.8 * math.sqrt(2), found.cohort_mean, found.cohort_sd
    assert mean == pytest.approx(observed.mean())
    assert spread**2 == pytest.approx(observed.var(ddof=1) - error**2)
    weight = spread**2 / (spread**2 + error**2)
    doubt = (1 - weight) * math.sqrt((spread**2 + error**2) / 6)  # of the cohort's mean

    true = np.linspace(-30.0, 30.0, 6001)
    means = mean + doubt / (1 - weight) * np.linspace(-6.0, 6.0, 241)
    belief = norm.pdf(np.linspace(-6.0, 6.0, 241))
    for value, probability in zip(observed, found.probability, strict=True):
        joint = norm.pdf(true, means[:, None], spread) * norm.pdf(value, true, error)
        tail = joint[:, true > 2.0].sum(axis=1) / joint.sum(axis=1)
        assert probability == pytest.approx(float(belief @ tail / belief.sum()), abs=2e-3)


def test_a_cohort_of_one_gives_the_flat_answer() -> None:
    flat = exceedance([3.0], 2.0, method_error_sd=1.0)
    one = exceedance([3.0], 2.0, method_error_sd=1.0, prior="empirical_bayes")
    assert one.probability == pytest.approx(flat.probability)
    assert one.cohort_sd == 0.0


@given(changes, st.floats(-5, 5), st.sampled_from(["flat", "empirical_bayes"]))
@settings(deadline=None)
def test_without_error_probabilities_are_the_plain_count(change: Any, threshold: Any, prior: Any) -> None:
    found = exceedance(change, threshold, method_error_sd=0.0, prior=prior)
    assert found.probability == pytest.approx((change > threshold).astype(float))
    share = expected_share(change, threshold, method_error_sd=0.0, prior=prior)
    assert share.expected.value == pytest.approx(share.counted.value)
    assert (share.wrongly_adverse, share.wrongly_not_adverse, share.count_sd) == (0.0, 0.0, 0.0)


@given(changes, st.floats(-5, 5), st.floats(0.1, 3.0), st.sampled_from(["flat", "empirical_bayes"]))
@settings(deadline=None)
def test_probability_follows_change_and_threshold(change: Any, threshold: Any, error: Any, prior: Any) -> None:
    ordered = np.sort(change)
    found = exceedance(ordered, threshold, method_error_sd=error, prior=prior)
    assert (np.diff(found.probability) >= -1e-12).all()
    higher = exceedance(ordered, threshold + 1.0, method_error_sd=error, prior=prior)
    assert (higher.probability <= found.probability + 1e-12).all()


@given(changes, st.floats(-5, 5), st.floats(0.1, 3.0), st.sampled_from(["flat", "empirical_bayes"]))
@settings(deadline=None)
def test_below_is_the_mirror_of_above(change: Any, threshold: Any, error: Any, prior: Any) -> None:
    above = exceedance(change, threshold, method_error_sd=error, prior=prior)
    mirrored = exceedance(-change, -threshold, method_error_sd=error, prior=prior)
    assert above.probability + mirrored.probability == pytest.approx(np.ones(change.size))


@given(changes, st.floats(-5, 5), st.floats(0.0, 3.0), st.sampled_from(["flat", "empirical_bayes"]))
@settings(deadline=None)
def test_expected_share_adds_up(change: Any, threshold: Any, error: Any, prior: Any) -> None:
    found = expected_share(change, threshold, method_error_sd=error, prior=prior)
    assert found.expected.value in found.expected.interval
    assert found.expected_count == pytest.approx(found.expected.value * change.size, abs=1e-9)
    moved = found.wrongly_not_adverse - found.wrongly_adverse
    assert found.counted.value * change.size + moved == pytest.approx(found.expected_count, abs=1e-9)


def test_large_errors_pull_the_flat_share_to_one_half_but_not_the_shrunken_one() -> None:
    rng = np.random.default_rng(1)
    observed = rng.normal(0.5, 1.0, 4000) + rng.normal(0.0, math.sqrt(2.0), 4000)
    truth = norm.sf(1.5)
    flat = expected_share(observed, 2.0, method_error_sd=1.0, prior="flat")
    shrunken = expected_share(observed, 2.0, method_error_sd=1.0)
    assert flat.expected.value > flat.counted.value > truth + 0.1
    assert shrunken.expected.value == pytest.approx(truth, abs=0.015)
    assert truth in shrunken.expected.interval
    assert "pulled towards one half" in caution_text(flat.expected.warnings[0])
    assert flat.expected.interval == wilson_interval(flat.expected.value, 4000)


def test_probabilities_are_calibrated_case_by_case() -> None:
    rng = np.random.default_rng(2)
    true = rng.normal(0.5, 1.5, 20_000)
    observed = true + rng.normal(0.0, 0.7 * math.sqrt(2.0), true.size)
    chance = exceedance(observed, 2.0, method_error_sd=0.7, prior="empirical_bayes").probability
    for low in (0.0, 0.2, 0.4, 0.6, 0.8):
        inside = (chance >= low) & (chance < low + 0.2)
        happened, promised = (true[inside] > 2.0).mean(), chance[inside].mean()
        assert happened == pytest.approx(promised, abs=4 * math.sqrt(0.25 / inside.sum()))


def test_interval_of_the_shrunken_share_covers_the_truth() -> None:
    # 300 cohorts of 60: within Monte-Carlo error (3.5 standard errors) of at least 95%
    rng = np.random.default_rng(3)
    truth, hits = norm.sf(1.0), 0
    for _ in range(300):
        observed = rng.normal(0.5, 1.5, 60) + rng.normal(0.0, math.sqrt(2.0) * 0.8, 60)
        hits += truth in expected_share(observed, 2.0, method_error_sd=0.8).expected.interval
    assert hits / 300 > 0.95 - 3.5 * math.sqrt(0.95 * 0.05 / 300)


def test_spread_explained_by_error_alone_leaves_everything_open() -> None:
    found = expected_share([1.0, 1.2, 0.9, 1.1], 2.0, method_error_sd=1.0)
    assert (found.expected.interval.low, found.expected.interval.high) == (0.0, 1.0)
    assert "cannot be told apart" in caution_text(found.expected.warnings[-1])


def test_missing_changes_and_errors_are_left_out_and_counted() -> None:
    found = expected_share([1.0, math.nan, 4.0, 5.0], 2.0, method_error_sd=[1.0, 1.0, math.nan, 1.0], prior="flat")
    assert found.expected.n == 2
    assert found.expected.left_out == {"change or its error missing": 2}
    probability = exceedance([1.0, math.nan], 2.0, method_error_sd=0.0).probability
    assert probability[0] == 0.0
    assert math.isnan(probability[1])


@pytest.mark.parametrize("prior", ["flat", "empirical_bayes"])
@pytest.mark.parametrize("change", [[], [math.nan]])
def test_no_case_is_said_in_words(change: Any, prior: Any) -> None:
    found = expected_share(change, 2.0, method_error_sd=1.0, prior=prior)
    assert found.expected.value is None
    assert found.counted.value is None
    assert found.expected_count == 0.0
    assert caution_text(found.expected.warnings[0]).startswith("No case has both")


def test_impossible_requests_are_refused() -> None:
    with pytest.raises(RequestError, match="below zero"):
        exceedance([1.0], 2.0, method_error_sd=-1.0)
    with pytest.raises(RequestError):
        exceedance([1.0], 2.0, method_error_sd=1.0, prior="horseshoe")
    with pytest.raises(RequestError):
        expected_share([1.0], 2.0, method_error_sd=1.0, level=95)
