"""The mixed-model likelihood: derivatives, statsmodels, boundary, balanced data in closed form."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.optimize import approx_fprime
from statsmodels.regression.mixed_linear_model import MixedLM

from warehouse.analysis import mixed_fit
from warehouse.analysis.mixed_fit import Criterion, Products, case_products, fit_mixed, gradient, profile

Data = tuple["NDArray[np.float64]", "NDArray[np.float64]", "NDArray[np.float64]", "NDArray[np.intp]"]


def invented(n_cases: int, seed: int, *, level: float = 2.0, rate: float = 0.3) -> Data:
    """Design (intercept, time), response, times and cases with 2 to 5 values each."""
    rng = np.random.default_rng(seed)
    counts = rng.integers(2, 6, n_cases)
    cases = np.repeat(np.arange(n_cases), counts)
    times = rng.uniform(0.0, 10.0, cases.size)
    own = rng.normal(size=(n_cases, 2)) * [level, rate]
    response = 30.0 + own[cases, 0] + (0.5 + own[cases, 1]) * times + rng.normal(size=cases.size)
    return np.column_stack([np.ones(cases.size), times]), response, times, cases


def products_of(data: Data) -> Products:
    design, response, times, cases = data
    base, _ = np.linalg.qr(design)
    return case_products(base, response - base @ (base.T @ response), times / 3.0, cases)


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 1000), st.sampled_from(["REML", "ML"]))
def test_gradient_is_the_derivative(seed: int, criterion: Criterion) -> None:
    products = products_of(invented(20, seed))
    factor = np.random.default_rng(seed).uniform(0.1, 2.0, 3)
    ours = gradient(products, factor, profile(products, factor, criterion), criterion)
    theirs = approx_fprime(factor, lambda at: profile(products, at, criterion).deviance, 1e-6)
    assert ours == pytest.approx(theirs, rel=1e-3, abs=1e-3)


@pytest.mark.parametrize("criterion", ["REML", "ML"])
def test_likelihood_is_that_of_the_full_covariance_matrix(criterion: Criterion) -> None:
    design, response, times, cases = invented(12, 3)
    fit = fit_mixed(design, response, times, cases, random_slope=True, criterion=criterion)
    z = np.column_stack([np.ones_like(times), times])
    same = cases[:, None] == cases[None, :]
    v = np.where(same, z @ fit.spread @ z.T, 0.0) + fit.residual_variance * np.eye(cases.size)
    inverse = np.linalg.inv(v)
    information = design.T @ inverse @ design
    beta = np.linalg.solve(information, design.T @ inverse @ response)
    rest = response - design @ beta
    deviance = np.linalg.slogdet(v)[1] + rest @ inverse @ rest + cases.size * np.log(2.0 * np.pi)
    if criterion == "REML":
        deviance += np.linalg.slogdet(information)[1] - 2 * np.log(2.0 * np.pi)
    assert fit.coefficients == pytest.approx(beta, rel=1e-8)
    assert fit.covariance == pytest.approx(np.linalg.inv(information), rel=1e-6)
    assert fit.log_likelihood == pytest.approx(-0.5 * deviance, rel=1e-9)


@pytest.mark.filterwarnings("ignore::statsmodels.tools.sm_exceptions.ConvergenceWarning")
@pytest.mark.parametrize("random_slope", [True, False])
def test_agrees_with_statsmodels(random_slope: bool) -> None:
    # statsmodels 0.15 MixedLM; its optimiser warns on the way, stops short of the optimum by about 1e-3 in the spreads
    # and takes errors from a numerical Hessian, so closeness is all that can be asked (the test above is exact)
    design, response, times, cases = invented(40, 7)
    z = np.column_stack([np.ones_like(times), times]) if random_slope else np.ones((times.size, 1))
    theirs = MixedLM(response, design, cases, exog_re=z).fit(reml=True)
    ours = fit_mixed(design, response, times, cases, random_slope=random_slope)
    assert ours.coefficients == pytest.approx(theirs.fe_params, rel=1e-3)
    assert np.sqrt(np.diag(ours.covariance)) == pytest.approx(theirs.bse_fe, rel=2e-3)
    assert ours.spread == pytest.approx(np.asarray(theirs.cov_re), rel=5e-3)
    assert ours.residual_variance == pytest.approx(theirs.scale, rel=1e-3)
    assert ours.log_likelihood >= theirs.llf - 1e-6


def test_balanced_one_way_layout_in_closed_form() -> None:
    # REML of a balanced one-way layout is the analysis of variance: between = (MSB - MSW) / k, within = MSW
    rng = np.random.default_rng(2)
    values = rng.normal(size=(30, 4)) + 1.5 * rng.normal(size=(30, 1))
    cases = np.repeat(np.arange(30), 4)
    fit = fit_mixed(np.ones((120, 1)), values.ravel(), np.zeros(120), cases, random_slope=False)
    between = 4.0 * values.mean(axis=1).var(ddof=1)
    within = np.sum((values - values.mean(axis=1, keepdims=True)) ** 2) / 90.0
    assert fit.residual_variance == pytest.approx(within, rel=1e-7)
    assert fit.spread[0, 0] == pytest.approx((between - within) / 4.0, rel=1e-7)
    assert np.sqrt(fit.covariance[0, 0]) == pytest.approx(np.sqrt(between / 120.0), rel=1e-7)


def test_no_spread_between_cases_is_the_boundary_and_ordinary_least_squares() -> None:
    cases = np.repeat(np.arange(6), 2)
    response = np.tile([0.0, 10.0], 6) + np.arange(12) * 0.01  # cases have all but the same mean
    fit = fit_mixed(np.ones((12, 1)), response, np.zeros(12), cases, random_slope=False)
    assert fit.singular
    assert fit.spread[0, 0] == 0.0
    assert fit.coefficients[0] == pytest.approx(response.mean())
    assert fit.residual_variance == pytest.approx(response.var(ddof=1))


def test_rate_that_does_not_differ_is_the_boundary() -> None:
    design, response, times, cases = invented(60, 11, rate=0.0)
    fit = fit_mixed(design, response, times, cases, random_slope=True)
    assert fit.converged
    assert np.sqrt(max(fit.spread[1, 1], 0.0)) < 0.1


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 500))
def test_order_of_values_and_names_of_cases_play_no_part(seed: int) -> None:
    design, response, times, cases = invented(15, seed)
    order = np.random.default_rng(seed).permutation(cases.size)
    plain = fit_mixed(design, response, times, cases, random_slope=True)
    other = fit_mixed(design[order], response[order], times[order], 99 - cases[order], random_slope=True)
    assert other.coefficients == pytest.approx(plain.coefficients, rel=1e-5)
    assert other.log_likelihood == pytest.approx(plain.log_likelihood, rel=1e-7)


def test_many_cases_start_from_a_tenth_and_end_at_the_same_place(monkeypatch: pytest.MonkeyPatch) -> None:
    data = invented(300, 5)
    plain = fit_mixed(*data, random_slope=True)
    monkeypatch.setattr(mixed_fit, "_THIN_ABOVE", 100)
    thinned = fit_mixed(*data, random_slope=True)
    assert thinned.log_likelihood == pytest.approx(plain.log_likelihood, rel=1e-10)
    assert thinned.coefficients == pytest.approx(plain.coefficients, rel=1e-6)


def test_rare_level_missing_from_the_tenth_is_no_obstacle(monkeypatch: pytest.MonkeyPatch) -> None:
    design, response, times, cases = invented(300, 6)
    design = np.column_stack([cases == 7, design]).astype(float)
    plain = fit_mixed(design, response, times, cases, random_slope=True)
    monkeypatch.setattr(mixed_fit, "_THIN_ABOVE", 100)
    thinned = fit_mixed(design, response, times, cases, random_slope=True)
    assert thinned.coefficients == pytest.approx(plain.coefficients, rel=1e-5)


def test_a_search_does_not_stay_where_slopes_seem_alike() -> None:
    """Balanced data, so the standard error of the mean slope is known: sqrt((0.04^2 + 0.6^2 / 288) / 60) = 0.00689."""
    rng = np.random.default_rng(5)
    months, cases = np.tile([0.0, 12.0, 24.0], 60), np.repeat(np.arange(60), 3)
    design = np.column_stack([np.ones(180), months])
    errors = []
    for _ in range(30):
        own = np.repeat(rng.normal(0.0, 5.0, 60), 3) + np.repeat(rng.normal(0.0, 0.04, 60), 3) * months
        value = 33.0 + own - 0.02 * months + rng.normal(0.0, 0.6, 180)
        errors.append(np.sqrt(fit_mixed(design, value, months, cases, random_slope=True).covariance[1, 1]))
    assert np.mean(errors) == pytest.approx(0.00689, rel=0.05)
