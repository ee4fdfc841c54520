"""Tests of two groups: independent enumeration, symmetry, and words (published values: two-group reference)."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom, chi2, fisher_exact, hypergeom

from warehouse.analysis.ratio import risk_ratio
from warehouse.analysis.two_group_tests import MOST_CASES_UNCONDITIONAL, two_group_test
from warehouse.errors import RequestError
from warehouse.words.sentences import caution_text

METHODS = ["fisher", "boschloo", "pearson"]
counts = st.integers(0, 200).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
few = st.integers(1, 25).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
GRID = np.linspace(0.0005, 0.9995, 2000)


def unconditional_p(extreme: np.ndarray, n1: int, n2: int) -> float:
    """The largest chance, over the common share, of a table in the ``extreme`` set (rows fixed)."""
    first = binom.pmf(np.arange(n1 + 1)[:, None], n1, GRID[None, :])
    second = binom.pmf(np.arange(n2 + 1)[:, None], n2, GRID[None, :])
    return float(np.einsum("ig,ij,jg->g", first, extreme.astype(float), second).max())


@pytest.mark.parametrize("table", [(7, 34, 1, 34), (2, 9, 6, 12)])
def test_boschloo_equals_enumeration_with_group_sizes_fixed(table: Any) -> None:
    x1, n1, x2, n2 = table
    a, c = np.meshgrid(np.arange(n1 + 1), np.arange(n2 + 1), indexing="ij")
    upper = hypergeom.sf(a - 1, n1 + n2, a + c, n1)
    lower = hypergeom.cdf(a, n1 + n2, a + c, n1)
    one_sided = [unconditional_p(p <= p[x1, x2] * (1 + 1e-9), n1, n2) for p in (upper, lower)]
    assert two_group_test(*table).p_value == pytest.approx(min(1.0, 2 * min(one_sided)), abs=2e-5)


@given(few, few)
@settings(max_examples=20, deadline=None)
def test_boschloo_never_exceeds_fisher_one_sided(first: Any, second: Any) -> None:
    # the two-sided p value is twice the smaller one-sided one
    (x1, n1), (x2, n2) = first, second
    table = [[x1, n1 - x1], [x2, n2 - x2]]
    fisher = min(fisher_exact(table, alternative=side).pvalue for side in ("greater", "less"))
    assert two_group_test(*first, *second).p_value <= 2 * fisher + 1e-7


@given(counts, counts, st.sampled_from(["fisher", "pearson"]))
@settings(deadline=None)
def test_quick_tests_never_raise_and_are_symmetric(first: Any, second: Any, method: str) -> None:
    one, two = two_group_test(*first, *second, method=method), two_group_test(*second, *first, method=method)
    if one.p_value is None:
        assert one.warnings
    else:
        assert 0.0 <= one.p_value <= 1.0 + 1e-12
        assert two.p_value == pytest.approx(one.p_value, abs=1e-9)


@given(counts, counts)
@settings(max_examples=12, deadline=None)
def test_unconditional_tests_never_raise(first: Any, second: Any) -> None:
    found = two_group_test(*first, *second)
    assert found.p_value is None or 0.0 <= found.p_value <= 1.0


@given(few, few)
def test_pearson_equals_the_score_test_but_for_its_factor(first: Any, second: Any) -> None:
    pearson, n = two_group_test(*first, *second, method="pearson"), first[1] + second[1]
    if 0 < first[0] + second[0] < n:
        score = risk_ratio(*first, *second).p_value  # Miettinen and Nurminen, at a ratio of 1
        assert score == pytest.approx(chi2.sf(pearson.statistic * (n - 1) / n, 1), abs=1e-9)


@pytest.mark.parametrize("method", METHODS)
def test_all_alike_has_a_p_value_of_one(method: str) -> None:
    found = two_group_test(0, 5, 0, 9, method=method)
    assert found.p_value == 1.0
    assert caution_text(found.warnings[0]).startswith("All cases ended alike")


@pytest.mark.parametrize("method", METHODS)
def test_empty_group_is_said_in_words(method: str) -> None:
    found = two_group_test(0, 0, 3, 9, method=method)
    assert found.p_value is None
    assert found.n == 9
    assert caution_text(found.warnings[0]).startswith("The first group has no assessed case")


def test_too_many_cases_are_said_in_words() -> None:
    found = two_group_test(30, MOST_CASES_UNCONDITIONAL, 3, 10)
    assert found.p_value is None
    assert "610 cases are too many" in caution_text(found.warnings[0])


def test_unknown_test_is_refused() -> None:
    with pytest.raises(RequestError):
        two_group_test(1, 2, 1, 2, method="student")
