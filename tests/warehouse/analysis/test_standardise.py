"""Standardised risks against statsmodels, the closed form and a planted truth."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.warehouse.analysis.weighting_cases import confounded, half_width, lalonde_pair
from warehouse.analysis.group_pair import GroupPair, pair_groups
from warehouse.analysis.standardise import standardised_risks
from warehouse.results import Estimate
from warehouse.words.sentences import caution_text


def error(estimate: Estimate) -> float:
    assert estimate.interval is not None
    return half_width(estimate.interval.low, estimate.interval.high)


def adverse_pair(frame: pl.DataFrame, first: str = "a", second: str = "b") -> GroupPair:
    return pair_groups(
        frame, outcome="adverse", group="appliance", first=first, second=second, covariates=["face", "age"]
    )


def plain_pair(first: tuple[int, int], second: tuple[int, int]) -> GroupPair:
    rows = [("a", i < first[0]) for i in range(first[1])] + [("b", i < second[0]) for i in range(second[1])]
    frame = pl.DataFrame(rows, schema={"g": pl.String, "y": pl.Boolean}, orient="row")
    return pair_groups(frame, outcome="y", group="g", first="a", second="b")


def test_difference_is_the_marginal_effect_of_statsmodels() -> None:
    # statsmodels 0.15: Logit(...).fit().get_margeff(at="overall", dummy=True), delta method with fixed covariates
    pair = lalonde_pair("low")
    matrix = np.column_stack([pair.design.matrix[:, :1], pair.first, pair.design.matrix[:, 1:]])
    theirs = sm.Logit(pair.outcome, matrix).fit(disp=0, tol=1e-12).get_margeff(at="overall", dummy=True)
    found = standardised_risks(pair, case_mix="fixed").difference
    assert found.value == pytest.approx(theirs.margeff[0], rel=1e-7)
    assert error(found) == pytest.approx(theirs.margeff_se[0], rel=1e-5)


def test_crude_shares_have_the_binomial_error() -> None:
    found = standardised_risks(plain_pair((12, 40), (30, 60)))
    assert found.first.value == pytest.approx(0.3)
    assert found.second.value == pytest.approx(0.5)
    assert error(found.difference) == pytest.approx(np.sqrt(0.3 * 0.7 / 40 + 0.25 / 60), rel=1e-6)
    assert found.ratio.value == pytest.approx(0.6)
    ratio = found.ratio.interval
    assert ratio is not None
    # Katz's log interval: sqrt(1/12 - 1/40 + 1/30 - 1/60)
    assert half_width(np.log(ratio.low), np.log(ratio.high)) == pytest.approx(
        np.sqrt(1 / 12 - 1 / 40 + 1 / 30 - 1 / 60), rel=1e-6
    )


def test_interval_of_a_risk_is_symmetric_on_the_log_odds() -> None:
    interval = standardised_risks(plain_pair((12, 40), (30, 60))).first.interval
    assert interval is not None
    odds = [np.log(limit / (1 - limit)) for limit in (interval.low, interval.high)]
    assert np.mean(odds) == pytest.approx(np.log(0.3 / 0.7), abs=1e-7)
    assert half_width(*odds) == pytest.approx(np.sqrt(1 / 12 + 1 / 28), rel=1e-6)


def test_sampled_case_mix_adds_the_variance_of_the_mean_risk() -> None:
    pair = adverse_pair(confounded(400, np.random.default_rng(3)))
    fixed = standardised_risks(pair, case_mix="fixed").difference
    sampled = standardised_risks(pair).difference
    matrix = np.column_stack([pair.design.matrix[:, :1], pair.first, pair.design.matrix[:, 1:]])
    fit = sm.Logit(pair.outcome, matrix).fit(disp=0, tol=1e-12)
    moved = [np.column_stack([matrix[:, :1], np.full(pair.n, g), matrix[:, 2:]]) for g in (1.0, 0.0)]
    gaps = fit.predict(moved[0]) - fit.predict(moved[1])
    assert error(sampled) ** 2 == pytest.approx(error(fixed) ** 2 + gaps.var() / pair.n, rel=1e-6)


def test_confounding_is_taken_out_and_a_planted_effect_recovered() -> None:
    big = confounded(500_000, np.random.default_rng(0))
    linear = -1.2 + 0.8 * big["face"].to_numpy() - 0.15 * (big["age"].to_numpy() - 12.0)
    truth = float(np.mean(1 / (1 + np.exp(-(linear + 0.7))) - 1 / (1 + np.exp(-linear))))
    planted = standardised_risks(adverse_pair(confounded(40_000, np.random.default_rng(5), effect=0.7))).difference
    none = standardised_risks(adverse_pair(confounded(40_000, np.random.default_rng(6)))).difference
    assert planted.interval is not None
    assert none.interval is not None
    assert truth in planted.interval
    assert 0.0 in none.interval


@settings(max_examples=20)
@given(st.integers(0, 10_000))
def test_swapping_groups_and_shuffling_cases_change_nothing_else(seed: int) -> None:
    rng = np.random.default_rng(seed)
    frame = confounded(150, rng)
    there = standardised_risks(adverse_pair(frame)).difference
    back = standardised_risks(adverse_pair(frame[rng.permutation(150)], "b", "a")).difference
    assert (there.value is None) == (back.value is None)
    if there.value is not None and back.value is not None:
        assert back.value == pytest.approx(-there.value, abs=1e-8)
        assert error(back) == pytest.approx(error(there), rel=1e-6)


def test_no_adverse_case_takes_the_penalised_model() -> None:
    pair = plain_pair((0, 10), (4, 10))
    found = standardised_risks(pair)
    assert found.first.value == pytest.approx(0.5 / 11.0, abs=1e-7)
    assert found.second.value == pytest.approx(4.5 / 11.0, abs=1e-7)
    assert found.first.interval is not None
    assert found.first.interval.high > 0.25
    assert "penalised" in found.first.method
    assert "pulls risks" in caution_text(found.first.warnings[0])


@pytest.mark.parametrize(("first", "second"), [((0, 0), (1, 3)), ((0, 0), (0, 0))])
def test_empty_group_is_told_in_words(first: tuple[int, int], second: tuple[int, int]) -> None:
    found = standardised_risks(plain_pair(first, second))
    assert found.first.value is None
    assert "nothing to compare" in caution_text(found.ratio.warnings[0])


def test_measure_is_sent_to_the_covariance_analysis() -> None:
    found = standardised_risks(lalonde_pair())
    assert found.difference.value is None
    assert "covariance analysis" in caution_text(found.difference.warnings[0])
