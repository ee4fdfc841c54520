"""The curve over age: statsmodels as the independent fit, limits, and words."""

from __future__ import annotations

import warnings
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import CubicSpline

from warehouse.analysis.age_curve import age_curve, default_knots, logistic_slope
from warehouse.errors import RequestError
from warehouse.words.sentences import caution_text


def cohort(n: int, seed: int, *, curved: bool = True) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    ages = rng.uniform(7.0, 17.0, n)
    logit = -1.5 + (0.15 * (ages - 12.0) ** 2 - 1.0 if curved else 0.2 * (ages - 12.0))
    return ages, (rng.random(n) < 1.0 / (1.0 + np.exp(-logit))).astype(float)


def natural_spline_fit(ages: np.ndarray, outcome: np.ndarray, knots: np.ndarray) -> tuple[Any, Any]:
    """The same model by another road: SciPy's natural cubic cardinal splines and statsmodels' Logit."""
    import statsmodels.api as sm

    def basis(x: np.ndarray) -> np.ndarray:
        inside = np.clip(x, knots[0], knots[-1])
        columns = []
        for unit in np.eye(len(knots)):
            spline = CubicSpline(knots, unit, bc_type="natural")
            slope = spline(np.where(x < knots[0], knots[0], knots[-1]), 1)
            columns.append(spline(inside) + slope * (x - inside))
        return np.column_stack(columns)

    return sm.Logit(outcome, basis(ages)).fit(disp=0), basis


@pytest.mark.parametrize("n_knots", [3, 4, 5])
def test_curve_equals_a_natural_spline_fitted_by_statsmodels(n_knots: Any) -> None:
    ages, outcome = cohort(400, 11)
    curve = age_curve(ages, outcome, n_knots=n_knots)
    fit, basis = natural_spline_fit(ages, outcome, np.array(curve.knots))
    grid = basis(np.array(curve.ages))
    assert curve.shares == pytest.approx(fit.predict(grid), abs=1e-7)
    centre = grid @ fit.params
    half = 1.959963984540054 * np.sqrt(np.einsum("ij,jk,ik->i", grid, fit.cov_params(), grid))
    assert curve.low == pytest.approx(1 / (1 + np.exp(half - centre)), abs=1e-7)
    assert curve.high == pytest.approx(1 / (1 + np.exp(-half - centre)), abs=1e-7)


def test_tests_are_likelihood_ratios_of_nested_statsmodels_fits() -> None:
    import statsmodels.api as sm
    from scipy.stats import chi2

    ages, outcome = cohort(400, 12)
    curve = age_curve(ages, outcome, n_knots=4)
    spline, _ = natural_spline_fit(ages, outcome, np.array(curve.knots))
    line = sm.Logit(outcome, sm.add_constant(ages)).fit(disp=0)
    assert curve.nonlinearity_p_value == pytest.approx(chi2.sf(2 * (spline.llf - line.llf), 2), rel=1e-5)
    assert curve.association_p_value == pytest.approx(chi2.sf(2 * (spline.llf - line.llnull), 3), rel=1e-5)


def test_slope_equals_statsmodels() -> None:
    import statsmodels.api as sm

    ages, outcome = cohort(300, 13, curved=False)
    fit = sm.Logit(outcome, sm.add_constant(ages)).fit(disp=0)
    slope = logistic_slope(ages, outcome)
    assert slope.value == pytest.approx(np.exp(fit.params[1]))
    assert (slope.interval.low, slope.interval.high) == pytest.approx(tuple(np.exp(fit.conf_int()[1])))
    assert slope.p_value == pytest.approx(fit.pvalues[1], rel=1e-6)
    assert age_curve(ages, outcome).slope == slope


def test_a_planted_curve_is_found_and_a_line_is_not_called_curved() -> None:
    assert age_curve(*cohort(2000, 14)).nonlinearity_p_value < 1e-6
    assert age_curve(*cohort(2000, 15, curved=False)).nonlinearity_p_value > 0.01


def test_log_odds_are_straight_beyond_the_outer_knots() -> None:
    ages, outcome = cohort(400, 16)
    curve = age_curve(ages, outcome, n_knots=4, at=[17.0, 18.0, 19.0, 20.0])
    logits = np.log(np.array(curve.shares) / (1 - np.array(curve.shares)))
    assert np.diff(logits, 2) == pytest.approx([0.0, 0.0], abs=1e-9)


@given(st.integers(0, 2**16), st.integers(3, 60))
@settings(max_examples=30, deadline=None)
def test_bands_hold_the_curve_and_nothing_raises(seed: int, n: int) -> None:
    ages, outcome = cohort(n, seed)
    curve = age_curve(ages, outcome)
    assert len(curve.ages) == len(curve.shares) == len(curve.low) == len(curve.high)
    assert all(0.0 <= a <= b <= c <= 1.0 for a, b, c in zip(curve.low, curve.shares, curve.high, strict=True))
    if not curve.ages:
        assert curve.warnings


def test_row_order_and_repeats() -> None:
    ages, outcome = cohort(120, 17)
    one, reverse = age_curve(ages, outcome, n_knots=3), age_curve(ages[::-1], outcome[::-1], n_knots=3)
    assert reverse.shares == pytest.approx(one.shares, abs=1e-9)
    twice = age_curve(np.tile(ages, 2), np.tile(outcome, 2), n_knots=3)
    assert twice.shares == pytest.approx(one.shares, abs=0.02)
    assert sum(twice.high) - sum(twice.low) < sum(one.high) - sum(one.low)


def test_knots_follow_the_rarer_outcome() -> None:
    assert [default_knots(n) for n in (0, 29, 30, 99, 100, 5000)] == [3, 3, 4, 4, 5, 5]
    ages, outcome = cohort(2000, 18)
    assert len(age_curve(ages, outcome).knots) == 5


def test_missing_ages_and_outcomes_are_counted() -> None:
    ages, outcome = cohort(100, 19)
    ages[:3], outcome[2:7] = np.nan, np.nan
    curve = age_curve(ages, outcome)
    assert (curve.n, curve.left_out) == (93, 7)
    assert curve.slope.left_out == {"age or outcome missing": 7}


def test_ties_leave_a_line_and_say_so() -> None:
    ages = np.repeat([8.0, 14.0], 20)
    outcome = np.tile([0.0, 0.0, 0.0, 1.0], 10)
    curve = age_curve(ages, outcome)
    assert curve.knots == ()
    assert curve.nonlinearity_p_value is None
    assert curve.association_p_value == pytest.approx(1.0)
    assert "straight line" in caution_text(curve.warnings[-1])
    assert curve.shares == pytest.approx([0.25] * 61)


@pytest.mark.parametrize(
    ("ages", "outcome", "said"),
    [
        ([], [], "No case has both"),
        ([np.nan], [1.0], "No case has both"),
        ([9.0, 12.0], [0.0, 0.0], "No case of 2 went adverse"),
        ([9.0, 12.0], [1.0, 1.0], "Every case of 2 went adverse"),
        ([9.0, 9.0], [0.0, 1.0], "All cases have the same age"),
        ([9.0], [1.0], "Every case of 1 went adverse"),
    ],
)
def test_no_curve_is_said_in_words(ages: Any, outcome: Any, said: Any) -> None:
    curve = age_curve(ages, outcome)
    assert curve.ages == ()
    assert curve.slope.value is None
    assert caution_text(curve.warnings[0]).startswith(said)


def test_separated_ages_get_a_penalised_fit_and_no_tests() -> None:
    curve = age_curve([8, 9, 10, 11, 12, 13], [0, 0, 0, 1, 1, 1])
    assert curve.method.startswith("Firth")
    assert (curve.association_p_value, curve.nonlinearity_p_value) == (None, None)
    assert curve.slope.warnings[0].kind == "separation"
    assert curve.slope.interval.low <= curve.slope.value <= curve.slope.interval.high
    assert {c.kind for c in curve.warnings} == {"small_sample", "separation"}


def test_separation_raises_no_numeric_warning() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert age_curve([7, 8, 9, 15], [0, 0, 0, 1]).shares[0] < 0.5


def test_impossible_requests_are_refused() -> None:
    with pytest.raises(RequestError, match="outcome column"):
        age_curve([1.0, 2.0], [0.0])
    ages, outcome = cohort(50, 20)
    with pytest.raises(RequestError):
        age_curve(ages, outcome, n_knots=9)
    with pytest.raises(RequestError):
        age_curve(ages, outcome, level=95)
