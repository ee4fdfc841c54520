"""Propensity weighting: published values, an independent sandwich, exact balance, words instead of numbers."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import polars as pl
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.treatment.treatment_effects import TreatmentEffect

from tests.warehouse.analysis.weighting_cases import (
    birth_weight,
    confounded,
    half_width,
    lalonde_pair,
    smoking_and_weight,
)
from warehouse.analysis.group_pair import GroupPair, pair_groups
from warehouse.analysis.weighting import (
    POPULATIONS,
    Target,
    balancing_weights,
    effective_size,
    propensity_model,
    weighted_comparison,
    weighted_means,
)
from warehouse.results import Estimate
from warehouse.words.sentences import caution_text

IN_FILE = {"everyone": "ate", "first_group": "att", "overlap": "ato"}
LALONDE = "lalonde (MatchIt) balance, IPTW, overlap"


def error(estimate: Estimate) -> float:
    assert estimate.interval is not None
    return half_width(estimate.interval.low, estimate.interval.high)


def adverse_pair(frame: pl.DataFrame) -> GroupPair:
    return pair_groups(frame, outcome="adverse", group="appliance", first="a", second="b", covariates=["face", "age"])


def small(first: list[bool], second: list[bool]) -> GroupPair:
    frame = pl.DataFrame({"g": ["a"] * len(first) + ["b"] * len(second), "y": [*first, *second]})
    return pair_groups(frame, outcome="y", group="g", first="a", second="b")


@pytest.mark.parametrize("target", IN_FILE)
def test_values_of_r_on_lalonde(target: Target, reference_case: Callable[[int, str], dict[str, Any]]) -> None:
    # R 4.2.2 glm and own weights, HC0 of sandwich 3.0.2 (which takes the propensity as known)
    computed = reference_case(11, LALONDE)["computed"][IN_FILE[target]]
    found = weighted_comparison(lalonde_pair(), target=target, propensity_known=True)
    contrast = found.contrast
    assert [contrast.first.value, contrast.second.value] == pytest.approx(computed["means"], rel=1e-7)
    assert contrast.difference.value == pytest.approx(computed["diff"], rel=1e-6)
    assert error(contrast.difference) == pytest.approx(computed["HC0"], rel=1e-6)
    assert list(found.effective_sizes) == pytest.approx(computed["ess"], rel=1e-6)


def test_group_sizes_and_crude_difference_of_lalonde(
    reference_case: Callable[[int, str], dict[str, Any]], as_printed: Callable[[Any], Any]
) -> None:
    # MatchIt vignette (from memory): crude difference -635.03
    pair = lalonde_pair()
    case = reference_case(11, LALONDE)
    crude = float(pair.outcome[pair.first].mean() - pair.outcome[~pair.first].mean())
    assert list(pair.sizes) == case["computed"]["n"]
    assert crude == pytest.approx(case["computed"]["re78_raw_diff"], rel=1e-9)
    assert crude == as_printed(case["expected"]["raw"])


def test_overlap_weights_add_up_alike(reference_case: Callable[[int, str], dict[str, Any]]) -> None:
    # Li, Morgan & Zaslavsky 2018, theorem 3; the two sums of R differ by its convergence, 2e-7
    pair = lalonde_pair()
    weights = weighted_comparison(pair).weights
    sums = [weights[pair.first].sum(), weights[~pair.first].sum()]
    assert sums == pytest.approx(reference_case(11, LALONDE)["computed"]["ato"]["sum_w"], rel=1e-8)
    assert sums[0] == pytest.approx(sums[1], rel=1e-12)


def test_stopping_to_smoke_and_weight_gain() -> None:
    # Hernan & Robins, What If, section 12.2: 3.4 kg (95 % interval 2.4 to 4.5), weights taken as known
    found = weighted_comparison(smoking_and_weight(), target="everyone", propensity_known=True).contrast.difference
    assert found.value == pytest.approx(3.4, abs=0.05)
    assert found.interval is not None
    assert [found.interval.low, found.interval.high] == pytest.approx([2.4, 4.5], abs=0.05)


@pytest.mark.parametrize(("target", "group"), [("everyone", "all"), ("first_group", 1)])
def test_sandwich_agrees_with_statsmodels(target: Target, group: str | int) -> None:
    # statsmodels 0.15 TreatmentEffect.ipw: the same stacked equations solved by generalised method of moments
    pair = birth_weight()
    treated = pair.first.astype(float)
    selection = sm.Logit(treated, pair.design.matrix).fit(disp=0)
    table = TreatmentEffect(sm.OLS(pair.outcome, pair.design.matrix), treated, results_select=selection).ipw(
        effect_group=group
    )
    theirs = table.summary_frame()
    found = weighted_comparison(pair, target=target).contrast
    assert found.difference.value == pytest.approx(theirs.loc["ATE", "coef"], rel=1e-6)
    assert error(found.difference) == pytest.approx(theirs.loc["ATE", "std err"], rel=1e-4)
    assert error(found.second) == pytest.approx(theirs.loc["POM0", "std err"], rel=1e-4)
    assert error(found.first) == pytest.approx(theirs.loc["POM1", "std err"], rel=1e-4)


@pytest.mark.parametrize("target", IN_FILE)
def test_sandwich_agrees_with_numerical_derivatives(target: Target) -> None:
    pair = adverse_pair(confounded(300, np.random.default_rng(4), effect=0.5))
    found = weighted_comparison(pair, target=target)
    start = np.concatenate(
        [propensity_model(pair).coefficients, [found.contrast.first.value, found.contrast.second.value]]
    )

    def equations(theta: np.ndarray) -> np.ndarray:
        e = 1.0 / (1.0 + np.exp(-(pair.design.matrix @ theta[:-2])))
        w = balancing_weights(e, pair.first, target=target)
        own = [w * pair.first * (pair.outcome - theta[-2]), w * ~pair.first * (pair.outcome - theta[-1])]
        return np.column_stack([pair.design.matrix * (pair.first - e)[:, None], *own])

    steps = np.eye(start.size) * 1e-6
    bread = np.column_stack(
        [(equations(start + h).mean(axis=0) - equations(start - h).mean(axis=0)) / 2e-6 for h in steps]
    )
    psi = equations(start)
    inverse = np.linalg.inv(bread)
    covariance = inverse @ (psi.T @ psi / pair.n) @ inverse.T / pair.n
    contrast = np.zeros(start.size)
    contrast[-2:] = [1.0, -1.0]
    assert error(found.contrast.difference) == pytest.approx(np.sqrt(contrast @ covariance @ contrast), rel=1e-5)
    logs = contrast / np.array([1.0] * (start.size - 2) + [start[-2], start[-1]])
    ratio = found.contrast.ratio
    assert ratio.interval is not None
    spread = half_width(np.log(ratio.interval.low), np.log(ratio.interval.high))
    assert spread == pytest.approx(np.sqrt(logs @ covariance @ logs), rel=1e-5)


@settings(deadline=None, max_examples=25)
@given(st.integers(0, 10_000), st.integers(40, 200))
def test_overlap_weights_balance_every_mean_exactly(seed: int, n: int) -> None:
    pair = adverse_pair(confounded(n, np.random.default_rng(seed)))
    found = weighted_comparison(pair, target="overlap")
    if found.weights.size:
        gaps = [weighted_means(column, pair.first, found.weights) for column in pair.design.matrix.T]
        assert [one for one, _ in gaps] == pytest.approx([two for _, two in gaps], abs=1e-9)


@settings(deadline=None, max_examples=20)
@given(st.integers(0, 10_000), st.sampled_from(list(IN_FILE)))
def test_order_of_cases_plays_no_part(seed: int, target: Target) -> None:
    rng = np.random.default_rng(seed)
    frame = confounded(80, rng)
    one = weighted_comparison(adverse_pair(frame), target=target).contrast.difference
    two = weighted_comparison(adverse_pair(frame[rng.permutation(80)]), target=target).contrast.difference
    assert one.value == pytest.approx(two.value, rel=1e-9)
    assert (one.interval is None) == (two.interval is None)
    if one.interval and two.interval:
        assert one.interval.low == pytest.approx(two.interval.low, rel=1e-7)


@settings(deadline=None, max_examples=20)
@given(st.integers(0, 10_000), st.sampled_from(list(IN_FILE)))
def test_every_case_twice_gives_the_same_value_and_less_error(seed: int, target: Target) -> None:
    frame = confounded(100, np.random.default_rng(seed))
    once = weighted_comparison(adverse_pair(frame), target=target).contrast.difference
    twice = weighted_comparison(adverse_pair(pl.concat([frame, frame])), target=target).contrast.difference
    assert twice.value == pytest.approx(once.value, rel=1e-7)
    if once.interval and twice.interval and "normal" in once.method:
        assert error(twice) == pytest.approx(error(once) / np.sqrt(2.0), rel=0.25)


def test_swapping_the_groups_turns_the_difference_round() -> None:
    frame = confounded(200, np.random.default_rng(11))
    there = weighted_comparison(adverse_pair(frame)).contrast
    back = weighted_comparison(
        pair_groups(frame, outcome="adverse", group="appliance", first="b", second="a", covariates=["face", "age"])
    ).contrast
    assert back.difference.value == pytest.approx(-float(there.difference.value or 0.0))
    assert back.ratio.value == pytest.approx(1.0 / float(there.ratio.value or 0.0))


def test_without_covariates_every_target_is_the_crude_comparison() -> None:
    pair = small([True] * 3 + [False] * 7, [True] * 6 + [False] * 14)
    for target in IN_FILE:
        found = weighted_comparison(pair, target=target).contrast  # type: ignore[arg-type]
        assert found.first.value == pytest.approx(0.3)
        assert found.second.value == pytest.approx(0.3)
        assert found.difference.value == pytest.approx(0.0)
        assert found.ratio.value == pytest.approx(1.0)


@pytest.mark.parametrize("target", IN_FILE)
def test_confounding_is_taken_out_and_a_planted_effect_is_left_in(target: Target) -> None:
    # true marginal differences by integrating the invented model over a million cases
    big = confounded(1_000_000, np.random.default_rng(0))
    linear = -1.2 + 0.8 * big["face"].to_numpy() - 0.15 * (big["age"].to_numpy() - 12.0)
    risk = [1.0 / (1.0 + np.exp(-(linear + step))) for step in (0.7, 0.0)]
    e = 1.0 / (1.0 + np.exp(-(0.8 * big["face"].to_numpy() - 0.2 * (big["age"].to_numpy() - 12.0))))
    mix = {"everyone": np.ones(e.size), "first_group": e, "overlap": e * (1.0 - e)}[target]
    truth = float(np.average(risk[0] - risk[1], weights=mix))
    pair = adverse_pair(confounded(40_000, np.random.default_rng(5), effect=0.7))
    crude = float(pair.outcome[pair.first].mean() - pair.outcome[~pair.first].mean())
    found = weighted_comparison(pair, target=target).contrast.difference
    assert found.interval is not None
    assert truth in found.interval
    assert abs(crude - truth) > 5.0 * error(found)


def test_kish_effective_size() -> None:
    assert effective_size(np.ones(7)) == pytest.approx(7.0)
    assert effective_size(np.array([1.0, 0.0, 0.0])) == pytest.approx(1.0)
    assert effective_size(np.empty(0)) == 0.0


@pytest.mark.parametrize(("first", "second"), [([], [True, False]), ([True], []), ([], [])])
def test_empty_group_is_told_in_words(first: list[bool], second: list[bool]) -> None:
    found = weighted_comparison(small(first, second))
    for estimate in (found.contrast.first, found.contrast.second, found.contrast.difference, found.contrast.ratio):
        assert estimate.value is None
        assert "nothing to compare" in caution_text(estimate.warnings[0])
    assert found.weights.size == 0


def test_firth_takes_over_where_groups_are_separated() -> None:
    frame = pl.DataFrame({"g": ["a"] * 5 + ["b"] * 5, "y": [True, False] * 5, "x": [float(i) for i in range(10)]})
    pair = pair_groups(frame, outcome="y", group="g", first="a", second="b", covariates=["x"])
    rescued = weighted_comparison(pair)
    assert rescued.contrast.difference.value is not None
    assert "separation" in {caution.kind for caution in rescued.contrast.difference.warnings}
    assert "Firth" in rescued.contrast.difference.method


def test_no_adverse_case_in_a_group() -> None:
    found = weighted_comparison(small([False] * 12, [True] * 4 + [False] * 8)).contrast
    assert found.first.value == 0.0
    # Wilson upper limit for 0 of 12: z^2 / (12 + z^2)
    assert found.first.interval is not None
    assert found.first.interval.high == pytest.approx(3.841458820694124 / 15.841458820694124)
    assert found.difference.interval is not None
    assert found.difference.interval.low < -1.0 / 3.0 < found.difference.interval.high
    assert found.difference.p_value is None
    assert found.ratio.value is None
    assert "no finite interval" in caution_text(found.ratio.warnings[0])


def test_nobody_adverse_anywhere_still_has_an_interval() -> None:
    found = weighted_comparison(small([False] * 10, [False] * 10)).contrast.difference
    assert found.value == 0.0
    assert found.interval is not None
    assert found.interval.low < 0.0 < found.interval.high


def test_one_case_in_each_group() -> None:
    found = weighted_comparison(small([True], [False])).contrast
    assert found.difference.value == 1.0
    assert found.difference.interval is not None
    assert any("Each of the 1 cases" in caution_text(caution) for caution in found.difference.warnings)


def test_measure_without_spread_has_no_interval() -> None:
    frame = pl.DataFrame({"g": ["a"] * 3 + ["b"] * 3, "y": [43.062] * 3 + [5.0] * 3})
    found = weighted_comparison(pair_groups(frame, outcome="y", group="g", first="a", second="b")).contrast
    assert found.difference.value == pytest.approx(38.062)
    assert found.difference.interval is None
    assert found.ratio.value is None
    assert "yes/no" in caution_text(found.ratio.warnings[0])


def test_what_was_adjusted_for_and_for_whom_is_said() -> None:
    found = weighted_comparison(lalonde_pair(), target="first_group").contrast
    assert found.difference.adjusted_for[0] == "age"
    assert found.population == POPULATIONS["first_group"]
    assert found.population in found.difference.estimand
    assert "information as 185 and 100" in caution_text(found.difference.warnings[0])
