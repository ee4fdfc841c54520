"""Least squares with HC3, HC2 and CR2 errors against statsmodels, SciPy and whole matrices; lone cases."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.linalg import sqrtm
from scipy.stats import ttest_ind

from warehouse.analysis.least_squares import RobustFit, least_squares


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


def unlike_groups(seed: int = 5, n: int = 40) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    group = (np.arange(n) < n // 3).astype(float)
    return np.column_stack([np.ones(n), group, rng.normal(size=n)]), rng.normal(size=n) * (1.0 + group), group


def test_weighted_errors_of_single_cases_are_the_hc2_of_statsmodels() -> None:
    design, response, _ = unlike_groups()
    weights = np.random.default_rng(6).uniform(0.2, 2.0, response.size)
    theirs = sm.WLS(response, design, weights=weights).fit(cov_type="HC2")
    ours = RobustFit(design, response, weights)
    for row, value, error in zip(np.eye(3), theirs.params, theirs.bse, strict=True):
        assert (ours.value(row).value, ours.value(row).error) == pytest.approx((value, error))


def test_two_groups_give_welchs_statistic_and_the_degrees_of_bell_and_mccaffrey() -> None:
    design, response, group = unlike_groups()
    ours = RobustFit(design[:, :2], response, np.ones(response.size)).value(np.array([0.0, 1.0]))
    welch = ttest_ind(response[group == 1], response[group == 0], equal_var=False)
    assert ours.value / ours.error == pytest.approx(welch.statistic)
    # Imbens & Kolesar 2016, Rev Econ Stat 98:701, section II: (n0 + n1)^2 (n0 - 1)(n1 - 1) / (n1^2 (n1 - 1) + ...)
    n1, n0 = int(group.sum()), int((1 - group).sum())
    df = (n0 + n1) ** 2 * (n0 - 1) * (n1 - 1) / (n1**2 * (n1 - 1) + n0**2 * (n0 - 1))
    assert ours.df == pytest.approx(df)


def test_groups_made_of_whole_clusters_of_one_size_are_compared_by_the_means_of_clusters() -> None:
    rng = np.random.default_rng(7)
    clusters = np.repeat(np.arange(10), 6)
    group = (clusters < 4).astype(float)
    response = rng.normal(size=60) + rng.normal(size=10)[clusters]
    ours = RobustFit(np.column_stack([np.ones(60), group]), response, np.ones(60), clusters).value(np.array([0.0, 1.0]))
    means = np.array([response[clusters == one].mean() for one in range(10)])
    assert ours.value / ours.error == pytest.approx(ttest_ind(means[:4], means[4:], equal_var=False).statistic)


def test_clustered_errors_are_those_of_the_whole_matrices() -> None:
    """CR2 and Satterthwaite's degrees as Pustejovsky & Tipton 2018 write them, with every matrix in full."""
    rng = np.random.default_rng(8)
    clusters = rng.integers(0, 7, 50)
    design = np.column_stack([np.ones(50), rng.normal(size=(50, 3))])
    response = rng.normal(size=50) + rng.normal(size=7)[clusters]
    bread = np.linalg.inv(design.T @ design)
    left = np.eye(50) - design @ bread @ design.T
    along = np.array([0.0, 1.0, 0.0, 0.0])
    moved = []
    for one in range(7):
        rows = clusters == one
        raise_by = np.linalg.inv(np.real(sqrtm(left[np.ix_(rows, rows)])))
        moved.append(left[:, rows] @ raise_by @ design[rows] @ bread @ along)
    square = np.array(moved) @ np.array(moved).T
    ours = RobustFit(design, response, np.ones(50), clusters).value(along)
    assert ours.error == pytest.approx(np.sqrt(np.sum((np.array(moved) @ response) ** 2)))
    assert ours.df == pytest.approx(np.trace(square) ** 2 / np.trace(square @ square))
