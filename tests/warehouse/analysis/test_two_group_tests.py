"""Tests of two groups: independent enumeration, symmetry, and words (published values: two-group reference)."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom, hypergeom

from warehouse.analysis.difference import risk_difference
from warehouse.analysis.two_group_tests import MOST_CASES_UNCONDITIONAL, two_group_test
from warehouse.errors import RequestError
from warehouse.words.sentences import caution_text

METHODS = ["fisher", "barnard", "boschloo", "pearson", "likelihood_ratio"]
counts = st.integers(0, 200).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
few = st.integers(1, 25).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
GRID = np.linspace(0.0005, 0.9995, 2000)


def unconditional_p(extreme: np.ndarray, n1: int, n2: int) -> float:
    """The largest chance, over the common share, of a table in the ``extreme`` set (rows fixed)."""
    first = binom.pmf(np.arange(n1 + 1)[:, None], n1, GRID[None, :])
    second = binom.pmf(np.arange(n2 + 1)[:, None], n2, GRID[None, :])
    return float(np.einsum("ig,ij,jg->g", first, extreme.astype(float), second).max())


def pooled_score(n1: int, n2: int) -> np.ndarray:
    a, c = np.meshgrid(np.arange(n1 + 1), np.arange(n2 + 1), indexing="ij")
    p = (a + c) / (n1 + n2)
    spread = np.sqrt(p * (1 - p) * (1 / n1 + 1 / n2))
    return np.divide(a / n1 - c / n2, spread, out=np.zeros(spread.shape), where=spread > 0)


@pytest.mark.parametrize("table", [(7, 34, 1, 34), (2, 9, 6, 12), (0, 8, 4, 15)])
def test_barnard_equals_enumeration_with_group_sizes_fixed(table: Any) -> None:
    # SciPy's own two-way table fixes its columns: passing groups as rows gives another test (Perondi .0505, not .0281)
    x1, n1, x2, n2 = table
    score = np.abs(pooled_score(n1, n2))
    expected = unconditional_p(score >= score[x1, x2] - 1e-10, n1, n2)
    assert two_group_test(*table, method="barnard").p_value == pytest.approx(expected, abs=2e-5)


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
    boschloo = two_group_test(*first, *second, alternative="greater").p_value
    assert boschloo <= two_group_test(*first, *second, method="fisher", alternative="greater").p_value + 1e-7


@given(counts, counts, st.sampled_from(["fisher", "pearson", "likelihood_ratio"]))
@settings(deadline=None)
def test_quick_tests_never_raise_and_are_symmetric(first: Any, second: Any, method: str) -> None:
    one, two = two_group_test(*first, *second, method=method), two_group_test(*second, *first, method=method)
    if one.p_value is None:
        assert one.warnings
    else:
        assert 0.0 <= one.p_value <= 1.0 + 1e-12
        assert two.p_value == pytest.approx(one.p_value, abs=1e-9)


@given(counts, counts, st.sampled_from(["barnard", "boschloo"]))
@settings(max_examples=12, deadline=None)
def test_unconditional_tests_never_raise(first: Any, second: Any, method: str) -> None:
    found = two_group_test(*first, *second, method=method)
    assert found.p_value is None or 0.0 <= found.p_value <= 1.0


@given(few, few)
def test_pearson_equals_the_score_test_without_a_factor(first: Any, second: Any) -> None:
    pearson = two_group_test(*first, *second, method="pearson")
    if 0 < first[0] + second[0] < first[1] + second[1]:
        assert pearson.p_value == pytest.approx(risk_difference(*first, *second, method="mee").p_value, abs=1e-9)


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


def test_large_sample_tests_have_no_one_sided_form() -> None:
    found = two_group_test(3, 10, 5, 10, method="pearson", alternative="less")
    assert found.p_value is None
    assert "no one-sided form" in caution_text(found.warnings[0])


def test_unknown_test_is_refused() -> None:
    with pytest.raises(RequestError):
        two_group_test(1, 2, 1, 2, method="student")
