"""Least squares with HC3 errors against statsmodels, and cases that decide a coefficient alone."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st

from warehouse.analysis.least_squares import least_squares


@settings(deadline=None)
@given(st.integers(0, 1000), st.integers(8, 60))
def test_agrees_with_statsmodels(seed: int, n: int) -> None:
    rng = np.random.default_rng(seed)
    design = np.column_stack([np.ones(n), rng.normal(2020.0, 3.0, n), rng.normal(size=n)])
    response = design[:, 1] + rng.normal(size=n) * (1.0 + np.abs(design[:, 2]))
    theirs = sm.OLS(response, design).fit(cov_type="HC3")
    ours = least_squares(design, response)
    assert ours.coefficients == pytest.approx(theirs.params, rel=1e-6)
    assert ours.error(np.array([0.0, 1.0, 0.0])) == pytest.approx(theirs.bse[1], rel=1e-6)
    assert ours.value(np.array([0.0, 1.0, 1.0])) == pytest.approx(theirs.params[1:].sum(), rel=1e-6)
    assert ours.df == n - 3
    assert ours.lone.shape == (0, 3)


def test_lone_case_of_a_group_has_no_error_and_spoils_no_other() -> None:
    design = np.column_stack([np.ones(5), [1.0, 0.0, 0.0, 0.0, 0.0]])
    ours = least_squares(design, np.array([9.0, 1.0, 2.0, 3.0, 4.0]))
    assert ours.coefficients == pytest.approx([2.5, 6.5])
    assert ours.error(np.array([0.0, 1.0])) is None
    # HC3 of a mean of four: sum of (residual / (1 - 1/4))^2 / 16
    expected = np.sqrt(np.sum((np.array([-1.5, -0.5, 0.5, 1.5]) / 0.75) ** 2) / 16.0)
    assert ours.error(np.array([1.0, 0.0])) == pytest.approx(expected)


def test_no_degree_of_freedom_no_error() -> None:
    ours = least_squares(np.array([[1.0, 0.0], [1.0, 1.0]]), np.array([1.0, 3.0]))
    assert ours.value(np.array([0.0, 1.0])) == pytest.approx(2.0)
    assert ours.error(np.array([0.0, 1.0])) is None


def test_no_case() -> None:
    ours = least_squares(np.empty((0, 1)), np.empty(0))
    assert ours.coefficients.tolist() == [0.0]
    assert ours.error(np.ones(1)) is None
