"""The restricted cubic spline: its formula by hand, its span against patsy, straight tails."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from patsy import dmatrix

from warehouse.analysis.spline import quantile_knots, restricted_cubic_spline
from warehouse.errors import RequestError


def test_formula_by_hand() -> None:
    # knots 0, 1, 3 and x = 2: [2^3 - 1^3 * (3 - 0)/(3 - 1) + 0] / 3^2 = 6.5 / 9
    basis = restricted_cubic_spline(np.array([2.0]), [0.0, 1.0, 3.0])
    assert basis == pytest.approx(np.array([[2.0, 6.5 / 9.0]]))


def test_beyond_the_last_knot_by_hand() -> None:
    # x = 5: [5^3 - 4^3 * 3/2 + 2^3 * 1/2] / 9 = (125 - 96 + 4) / 9
    assert restricted_cubic_spline(np.array([5.0]), [0.0, 1.0, 3.0])[0, 1] == pytest.approx(33.0 / 9.0)


def test_spans_the_natural_spline_of_patsy() -> None:
    x = np.random.default_rng(3).uniform(6.0, 18.0, 200)
    knots = [7.0, 10.0, 13.0, 16.0]
    ours = np.column_stack([np.ones(200), restricted_cubic_spline(x, knots)])
    natural = "cr(x, knots=(10.0, 13.0), lower_bound=7.0, upper_bound=16.0) - 1"
    inside = (x >= 7.0) & (x <= 16.0)
    theirs = np.asarray(dmatrix(natural, {"x": x[inside]}))
    fitted = ours[inside] @ np.linalg.lstsq(ours[inside], theirs, rcond=None)[0]
    assert fitted == pytest.approx(theirs, abs=1e-8)


@settings(deadline=None)
@given(st.floats(20.0, 60.0), st.floats(0.1, 5.0))
def test_tails_are_straight(start: float, step: float) -> None:
    right = restricted_cubic_spline(start + step * np.arange(3.0), [7.0, 10.0, 13.0, 16.0])
    left = restricted_cubic_spline(-start - step * np.arange(3.0), [7.0, 10.0, 13.0, 16.0])
    for basis in (right, left):
        assert basis[2] - 2.0 * basis[1] + basis[0] == pytest.approx(np.zeros(3), abs=1e-6)


def test_knots_of_harrell_and_missing_values() -> None:
    values = np.append(np.arange(101.0), np.nan)
    assert quantile_knots(values, 4) == (5.0, 35.0, 65.0, 95.0)
    assert quantile_knots(values, 3) == (10.0, 50.0, 90.0)
    assert np.isnan(restricted_cubic_spline(np.array([np.nan]), [0.0, 1.0, 2.0])).all()


def test_no_value_has_no_knot() -> None:
    assert quantile_knots(np.array([np.nan])) == ()


@pytest.mark.parametrize("n_knots", [2, 8])
def test_number_of_knots_is_limited(n_knots: int) -> None:
    with pytest.raises(RequestError, match="3 to 7"):
        quantile_knots(np.arange(10.0), n_knots)


def test_two_knots_make_no_curve() -> None:
    with pytest.raises(RequestError, match="2 distinct knots"):
        restricted_cubic_spline(np.arange(3.0), [1.0, 2.0, 2.0])
