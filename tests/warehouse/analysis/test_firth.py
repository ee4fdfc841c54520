"""Firth logistic: Heinze and Schemper's data, the 2x2 algebra, brute force, separation, and words."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from itertools import product
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize

from warehouse.analysis.firth import INTERCEPT, firth_logistic
from warehouse.analysis.logistic import firth
from warehouse.analysis.penalised import Likelihood, Rows, group_rows, maximise
from warehouse.errors import RequestError
from warehouse.words.sentences import caution_text

NAMES = ["age", "oc", "vic", "vicl", "vis", "dia"]


def in_file(name: str) -> str:
    return "(Intercept)" if name == INTERCEPT else name


@pytest.fixture(scope="module")
def infection(reference_case: Callable[[int, str], dict[str, Any]]) -> dict[str, Any]:
    """Heinze & Schemper 2002: 239 women, 130 with urinary tract infection."""
    return reference_case(6, "sex2 (UTI), Firth logistic")


def fit_infection(case: dict[str, Any], level: float) -> Any:
    rows = case["data"]["aggregated"]
    covariates = np.column_stack([np.repeat(rows[name], rows["COUNT"]) for name in NAMES])
    return firth_logistic(covariates, np.repeat(rows["case"], rows["COUNT"]), names=NAMES, level=level)


def test_infection_as_printed(infection: Any) -> None:
    # summary of logistf on the data of Heinze & Schemper 2002, Stat Med 21:2409 (alpha = .1)
    fit = fit_infection(infection, 0.9)
    published = infection["expected"]
    assert (fit.n, fit.n_events) == (infection["data"]["n"], infection["data"]["cases"])
    for term in fit.terms:
        key = in_file(term.name)
        # that program stops at a step of 1e-5: its last printed digits are not exact
        assert term.log_odds.value == pytest.approx(published["coef"][key], abs=1e-6), key
        limits = [term.log_odds.interval.low, term.log_odds.interval.high]
        assert limits == pytest.approx(published["ci90"][key], abs=1e-6), key
        assert term.log_odds.p_value == pytest.approx(published["p"][key], rel=1e-5, abs=1e-7), key


def test_infection_as_computed(infection: Any) -> None:
    # brglm2 0.9 (AS_mean), logistf 1.26.1 and an own program, agreeing to 1e-6
    fit, computed = fit_infection(infection, 0.95), infection["computed"]
    for term in fit.terms:
        key = in_file(term.name)
        assert term.log_odds.value == pytest.approx(computed["coef"][key], abs=1e-9)
        assert term.standard_error == pytest.approx(computed["se_inverse_fisher"][key], abs=1e-8)
        limits = [term.log_odds.interval.low, term.log_odds.interval.high]
        assert limits == pytest.approx(computed["ci95"][key], abs=1e-8)
        assert term.odds_ratio.interval.high == pytest.approx(math.exp(limits[1]))
    assert fit.penalised_log_likelihood == pytest.approx(computed["pen_loglik"]["full"], abs=1e-9)
    assert [c.kind for c in fit.warnings] == ["separation"]  # no case without infection had "dia"


def test_zero_cell_equals_adding_one_half(reference_case: Callable[[int, str], dict[str, Any]]) -> None:
    # Firth 1993; Haldane-Anscombe: in the saturated 2x2 table the point estimates are the same, by algebra
    case = reference_case(6, "2x2 zero cell 0/10 v 4/10")
    computed = case["computed"]
    fit = firth_logistic([0] * 10 + [1] * 10, [0] * 10 + [1] * 4 + [0] * 6)
    slope = fit.term("x1")
    assert case["expected"]["logOR"] == "ln(4.5*10.5/(6.5*0.5))"
    assert slope.log_odds.value == pytest.approx(math.log(4.5 * 10.5 / (6.5 * 0.5)), abs=1e-9)
    assert slope.log_odds.value == pytest.approx(computed["logOR"], abs=1e-9)
    assert fit.term(INTERCEPT).log_odds.value == pytest.approx(computed["intercept"], abs=1e-9)
    assert slope.standard_error == pytest.approx(computed["se_inverse_fisher"], abs=1e-9)
    limits = [slope.log_odds.interval.low, slope.log_odds.interval.high]
    assert limits == pytest.approx(computed["profile_ci95"], abs=1e-8)
    assert slope.log_odds.p_value == pytest.approx(computed["plr_p"], abs=1e-9)


counts = st.integers(1, 40).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


@given(counts, counts)
@settings(max_examples=40, deadline=None)
def test_every_two_by_two_table_equals_adding_one_half(first: Any, second: Any) -> None:
    (x1, n1), (x2, n2) = first, second
    times = [x1, n1 - x1, x2, n2 - x2]
    fit = firth_logistic(np.repeat([1, 1, 0, 0], times), np.repeat([1, 0, 1, 0], times))
    expected = math.log((x1 + 0.5) * (n2 - x2 + 0.5) / ((n1 - x1 + 0.5) * (x2 + 0.5)))
    slope = fit.term("x1").log_odds
    assert slope.value == pytest.approx(expected, abs=1e-7)
    assert slope.interval.low < slope.value < slope.interval.high
    assert (slope.p_value < 0.05) == (0.0 not in slope.interval)


def brute_force(X: np.ndarray, y: np.ndarray, start: list[float] | None = None) -> Any:
    """Maximum of the penalised likelihood by a general-purpose optimiser."""

    def loss(beta: np.ndarray) -> float:
        eta = X @ beta
        risk = 1 / (1 + np.exp(-eta))
        information = X.T @ (X * (risk * (1 - risk))[:, None])
        return -(y @ eta - np.logaddexp(0, eta).sum() + 0.5 * np.linalg.slogdet(information)[1])

    start = [0.0] * X.shape[1] if start is None else start
    return minimize(loss, start, method="BFGS", options={"gtol": 1e-8})


def cohort(n: int, seed: int, p: int = 3) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    covariates = np.column_stack([rng.normal(size=(n, p - 1)), rng.integers(0, 2, n)])
    return covariates, (rng.random(n) < 1 / (1 + np.exp(1.0 - covariates[:, 0]))).astype(float)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_equals_a_general_optimiser(seed: int) -> None:
    covariates, y = cohort(60, seed)
    X = np.column_stack([np.ones(60), covariates])
    fit, best = firth_logistic(covariates, y), brute_force(X, y)
    assert [t.log_odds.value for t in fit.terms] == pytest.approx(list(best.x), abs=2e-4)
    assert fit.penalised_log_likelihood == pytest.approx(-best.fun, abs=1e-7)


def test_profile_limit_by_a_general_optimiser() -> None:
    covariates, y = cohort(60, 4)
    X = np.column_stack([np.ones(60), covariates])
    fit = firth_logistic(covariates, y)

    def height_at(value: float) -> float:
        def loss(rest: np.ndarray) -> float:
            beta = np.array([rest[0], value, *rest[1:]])
            eta = X @ beta
            risk = 1 / (1 + np.exp(-eta))
            information = X.T @ (X * (risk * (1 - risk))[:, None])
            return -(y @ eta - np.logaddexp(0, eta).sum() + 0.5 * np.linalg.slogdet(information)[1])

        return -minimize(loss, np.zeros(3), method="BFGS", options={"gtol": 1e-8}).fun

    interval = fit.term("x1").log_odds.interval
    for limit in (interval.low, interval.high):
        drop = 2 * (fit.penalised_log_likelihood - height_at(limit))
        assert drop == pytest.approx(3.841458820694124, abs=1e-5)


def test_large_cohorts_approach_the_plain_fit() -> None:
    import statsmodels.api as sm

    covariates, y = cohort(20_000, 5)
    fit = firth_logistic(covariates, y)
    plain = sm.Logit(y, sm.add_constant(covariates)).fit(disp=0)
    assert [t.log_odds.value for t in fit.terms] == pytest.approx(list(plain.params), abs=2e-3)
    assert [t.standard_error for t in fit.terms] == pytest.approx(list(plain.bse), rel=1e-3)
    limits = np.array([[t.log_odds.interval.low, t.log_odds.interval.high] for t in fit.terms])
    assert limits == pytest.approx(plain.conf_int(), abs=5e-3)


def test_row_order_does_not_matter() -> None:
    covariates, y = cohort(50, 7)
    one, two = firth_logistic(covariates, y), firth_logistic(covariates[::-1], y[::-1])
    assert one.penalised_log_likelihood == pytest.approx(two.penalised_log_likelihood, abs=1e-8)


def test_rescaling_a_covariate_rescales_its_coefficient() -> None:
    covariates, y = cohort(50, 8)
    one, two = firth_logistic(covariates, y), firth_logistic(covariates * [1000.0, 1.0, 1.0], y)
    assert two.term("x1").log_odds.value * 1000 == pytest.approx(one.term("x1").log_odds.value, rel=1e-6)
    assert two.term("x1").log_odds.p_value == pytest.approx(one.term("x1").log_odds.p_value, rel=1e-6)


def test_swapping_the_outcome_flips_every_sign() -> None:
    covariates, y = cohort(50, 9)
    one, two = firth_logistic(covariates, y), firth_logistic(covariates, 1 - y)
    for a, b in zip(one.terms, two.terms, strict=True):
        assert b.log_odds.value == pytest.approx(-a.log_odds.value, abs=1e-8)
        assert b.log_odds.interval.high == pytest.approx(-a.log_odds.interval.low, abs=1e-6)


def test_separated_data_stay_finite_and_say_so() -> None:
    covariates = np.linspace(0.0, 10.0, 20)
    fit = firth_logistic(covariates, (covariates > 5).astype(float))
    slope = fit.term("x1").log_odds
    assert fit.converged
    assert math.isfinite(slope.interval.high)
    assert 0.0 < slope.interval.low < slope.value < slope.interval.high
    assert "tells the outcomes apart exactly" in caution_text(fit.warnings[0])
    assert firth_logistic(*cohort(200, 1)).warnings == ()


@pytest.mark.parametrize("outcome", [0.0, 1.0])
def test_all_alike_is_held_by_the_penalty_and_says_so(outcome: Any) -> None:
    covariates, _ = cohort(20, 10)
    fit = firth_logistic(covariates, np.full(20, outcome))
    assert caution_text(fit.warnings[0]).startswith("All cases ended alike")
    assert all(math.isfinite(t.log_odds.value) for t in fit.terms)


def test_only_an_intercept_is_the_shrunk_log_odds() -> None:
    fit = firth_logistic(np.empty((12, 0)), [1] * 3 + [0] * 9)
    assert fit.term(INTERCEPT).log_odds.value == pytest.approx(math.log(3.5 / 9.5))
    assert fit.terms[0].standard_error ** 2 == pytest.approx(1 / (12 * (3.5 / 13) * (9.5 / 13)))


def test_missing_rows_are_left_out_and_counted() -> None:
    covariates, y = cohort(50, 11)
    covariates[0, 1], y[1], y[2] = np.nan, np.nan, np.nan
    covariates[2, 0] = np.nan
    fit = firth_logistic(covariates, y)
    assert fit.n == 47
    assert fit.left_out == {"outcome missing": 2, "covariate missing": 1}
    assert fit.terms == tuple(
        replace(
            term,
            log_odds=replace(term.log_odds, left_out=fit.left_out),
            odds_ratio=replace(term.odds_ratio, left_out=fit.left_out),
        )
        for term in firth_logistic(covariates[3:], y[3:]).terms
    )


def test_constant_or_repeated_columns_have_no_estimate_and_say_so() -> None:
    covariates, y = cohort(50, 12)
    wide = np.column_stack([covariates, np.full(50, 3.0), covariates[:, 0] - covariates[:, 1]])
    fit, plain = firth_logistic(wide, y, names=["a", "b", "c", "flat", "double"]), firth_logistic(covariates, y)
    assert fit.term("a").log_odds.value == pytest.approx(plain.term("x1").log_odds.value, abs=1e-8)
    for name in ("flat", "double"):
        assert fit.term(name).odds_ratio.value is None
        assert "combination" in caution_text(fit.term(name).log_odds.warnings[0])
    assert caution_text(fit.warnings[0]).endswith("flat, double.")


@pytest.mark.parametrize("covariates", [np.empty((0, 2)), np.array([[1.0, np.nan]])])
def test_no_usable_case_is_said_in_words(covariates: Any) -> None:
    fit = firth_logistic(covariates, np.ones(len(covariates)))
    assert (fit.n, fit.penalised_log_likelihood, fit.converged) == (0, None, False)
    assert [t.name for t in fit.terms] == [INTERCEPT, "x1", "x2"]
    assert all(t.log_odds.value is None for t in fit.terms)
    assert fit.warnings[0].kind == "no_data"


def test_one_case_does_not_raise() -> None:
    fit = firth_logistic([[11.0, 2.0]], [1.0])
    assert fit.term(INTERCEPT).log_odds.value == pytest.approx(math.log(3.0))
    assert fit.term("x1").log_odds.value is None


def test_unprofiled_terms_get_wald_intervals() -> None:
    covariates, y = cohort(80, 13)
    full, quick = firth_logistic(covariates, y), firth_logistic(covariates, y, profile=["x1"])
    assert quick.term("x1") == full.term("x1")
    other = quick.term("x2")
    half = 1.959963984540054 * other.standard_error
    assert other.log_odds.interval.high == pytest.approx(other.log_odds.value + half)
    assert other.log_odds.p_value == pytest.approx(math.erfc(abs(other.log_odds.value) / other.standard_error / 2**0.5))
    assert "Wald" in other.log_odds.method
    assert "profile" in quick.term("x1").log_odds.method


def test_terms_name_what_they_were_adjusted_for() -> None:
    covariates, y = cohort(50, 14)
    fit = firth_logistic(pl.DataFrame(covariates, schema=["age", "vertical", "boy"]), y)
    assert fit.term("age").odds_ratio.adjusted_for == ("vertical", "boy")
    assert fit.term("age").odds_ratio.unit == "ratio"
    assert fit.term("age").odds_ratio.estimand == "odds ratio of going adverse, age"


def test_frame_with_nulls_and_true_false_columns() -> None:
    frame = pl.DataFrame({"age": [8, 9, None, 11, 12, 10], "boy": [True, False, True, True, False, False]})
    fit = firth_logistic(frame, pl.Series([True, False, True, None, True, False]))
    assert fit.n == 4
    assert fit.left_out == {"outcome missing": 1, "covariate missing": 1}


def test_large_designs_use_blocks_and_skip_grouping() -> None:
    # three blocks of distinct rows against the same rows in one block-sized pass
    covariates, y = cohort(20_000, 15)
    fit = firth_logistic(covariates, y, profile=["x1"])
    beta, covariance = firth(np.column_stack([np.ones(20_000), covariates]), y)
    assert [t.log_odds.value for t in fit.terms] == pytest.approx(list(beta), abs=1e-10)
    errors = [t.standard_error for t in fit.terms]
    assert errors == pytest.approx(np.sqrt(np.diag(covariance)).tolist(), abs=1e-10)


def test_grouping_finds_every_pattern() -> None:
    patterns = np.array(list(product([0.0, 1.0], repeat=3)))
    rng = np.random.default_rng(16)
    rows = rng.integers(0, 8, 30_000)
    y = (rng.random(30_000) < 0.1 + 0.05 * patterns[rows].sum(axis=1)).astype(float)
    whole = firth_logistic(patterns[rows], y)
    design = np.column_stack([np.ones(8), patterns])
    events, trials = np.bincount(rows, weights=y), np.bincount(rows).astype(float)
    counted = maximise(Likelihood(Rows(design.T.copy(), events, trials), penalised=True), np.zeros(4), np.arange(4))
    assert whole.penalised_log_likelihood == pytest.approx(counted.height, rel=1e-9)
    assert [t.log_odds.value for t in whole.terms] == pytest.approx(counted.beta.tolist(), abs=1e-10)


@given(st.integers(0, 2**16), st.integers(1, 30), st.integers(1, 4))
@settings(max_examples=40, deadline=None)
def test_small_cohorts_never_raise_and_intervals_hold_the_estimate(seed: int, n: int, p: Any) -> None:
    rng = np.random.default_rng(seed)
    fit = firth_logistic(rng.integers(0, 3, (n, p)), rng.integers(0, 2, n))
    for term in fit.terms:
        if term.log_odds.value is not None:
            assert term.log_odds.interval.low <= term.log_odds.value <= term.log_odds.interval.high
            assert 0.0 <= term.log_odds.p_value <= 1.0


def test_impossible_requests_are_refused() -> None:
    with pytest.raises(RequestError, match="outcome column"):
        firth_logistic([1.0, 2.0], [1.0])
    with pytest.raises(RequestError, match="covariate names"):
        firth_logistic([1.0, 2.0], [1.0, 0.0], names=["a", "b"])
    with pytest.raises(RequestError, match="an outcome of"):
        firth_logistic([1.0, 2.0], [1.0, 2.0])
    with pytest.raises(RequestError, match="'x2'"):
        firth_logistic([1.0, 2.0], [1.0, 0.0], profile=["x2"])
    with pytest.raises(RequestError, match="no term 'agee'"):
        firth_logistic([1.0, 2.0, 3.0], [1.0, 0.0, 1.0], names=["age"]).term("agee")


def test_the_higher_of_two_peaks_is_found_under_separation() -> None:
    # from a start at zero the climb ends on the lower peak, at a slope of 0.091
    x = np.array([8.0, 11.0, 16.0, 16.0, 19.0, 34.0, 48.0, 49.0])
    y = np.array([0.0, 0.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0])
    X = np.column_stack([np.ones(8), x])
    lower, higher = (brute_force(X, y, start) for start in ([-1.05, 0.091], [-5.75, 0.448]))
    assert lower.fun > higher.fun
    fit = firth_logistic(x, y)
    assert fit.penalised_log_likelihood == pytest.approx(-higher.fun, abs=1e-6)
    assert fit.term("x1").log_odds.value == pytest.approx(higher.x[1], abs=1e-3)
    assert math.isfinite(fit.term("x1").log_odds.interval.low + fit.term("x1").log_odds.interval.high)


def test_a_rare_separated_level_settles_in_a_large_cohort() -> None:
    covariates, y = cohort(30_000, 17)
    rare = np.arange(30_000) < 6
    y[rare] = 0.0
    fit = firth_logistic(np.column_stack([covariates, rare]), y, profile=["x4"])
    assert fit.converged
    assert fit.warnings[0].kind == "separation"
    assert fit.term("x4").log_odds.interval.low < fit.term("x4").log_odds.value < 0.0


def test_a_singular_design_does_not_climb() -> None:
    rows = group_rows(np.ones((5, 2)), np.array([1.0, 0.0, 1.0, 0.0, 1.0]), np.ones(5))
    for penalised in (True, False):
        stuck = maximise(Likelihood(rows, penalised=penalised), np.zeros(2), np.arange(2))
        assert not stuck.converged
        assert stuck.steps == 0


def test_exact_curvature_is_the_derivative_of_the_gradient() -> None:
    covariates, y = cohort(40, 18)
    model = Likelihood(group_rows(np.column_stack([np.ones(40), covariates]), y, np.ones(40)), penalised=True)
    beta, step = np.array([-0.5, 0.8, 0.2, -0.3]), 1e-5
    numeric = [
        (model.slope(model.at(beta - step * unit))[0] - model.slope(model.at(beta + step * unit))[0]) / (2 * step)
        for unit in np.eye(4)
    ]
    assert model.exact_curvature(model.at(beta)) == pytest.approx(np.array(numeric), abs=1e-6)
