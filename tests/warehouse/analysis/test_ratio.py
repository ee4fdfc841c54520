"""Risk ratios: symmetries, zero cells in words, and independent libraries (published values: two-group reference)."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.rates import test_poisson_2indep as poisson_test

from warehouse.analysis.ratio import rate_ratio, risk_ratio
from warehouse.analysis.two_groups import TwoGroups, ratio_statistic, shares_at_ratio
from warehouse.errors import RequestError
from warehouse.words.sentences import caution_text

counts = st.integers(0, 200).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
filled = counts.filter(lambda c: c[1] > 0)
inner = counts.filter(lambda c: c[0] > 0)


@given(inner, counts.filter(lambda c: 0 < c[0] < c[1]))
@settings(max_examples=25, deadline=None)
def test_p_value_equals_statsmodels_score_ratio(first: Any, second: Any) -> None:
    from statsmodels.stats.proportion import score_test_proportions_2indep

    estimate = risk_ratio(*first, *second)
    z = score_test_proportions_2indep(*first, *second, value=1, compare="ratio", correction=True).statistic
    assert estimate.p_value == pytest.approx(math.erfc(abs(z) / math.sqrt(2)), abs=1e-9)


@given(counts, counts, st.sampled_from([0.8, 0.95, 0.99]))
@settings(deadline=None)
def test_never_raises_and_holds_the_estimate(first: Any, second: Any, level: float) -> None:
    estimate = risk_ratio(*first, *second, level=level)
    if estimate.interval is not None:
        assert 0.0 <= estimate.interval.low <= estimate.interval.high
        if estimate.value is not None:
            assert estimate.interval.low * (1 - 1e-9) <= estimate.value <= estimate.interval.high * (1 + 1e-9)
    else:
        assert estimate.warnings


@given(filled, filled)
@settings(deadline=None)
def test_swapping_groups_inverts_the_result(first: Any, second: Any) -> None:
    one, two = risk_ratio(*first, *second), risk_ratio(*second, *first)
    if one.value and two.value:
        assert two.value == pytest.approx(1 / one.value)
        assert two.interval.low * one.interval.high == pytest.approx(1.0)
        assert two.interval.high * one.interval.low == pytest.approx(1.0)


@given(inner, inner, st.floats(0.05, 20.0))
def test_constrained_shares_beat_their_neighbours(first: Any, second: Any, ratio: Any) -> None:
    (x1, n1), (x2, n2) = first, second
    _, share = shares_at_ratio(TwoGroups(*first, *second), ratio)
    grid = np.linspace(0.0, min(1.0, 1.0 / ratio), 401)[1:-1]

    def log_likelihood(q: np.ndarray) -> np.ndarray:
        p, q = np.clip(ratio * q, 1e-300, 1 - 1e-16), np.clip(q, 1e-300, 1 - 1e-16)
        return x1 * np.log(p) + (n1 - x1) * np.log1p(-p) + x2 * np.log(q) + (n2 - x2) * np.log1p(-q)

    best = log_likelihood(grid).max()
    assert float(log_likelihood(np.array([share]))[0]) >= best - 1e-7 * (1 + abs(best))


@given(inner, filled)
@settings(deadline=None)
def test_lower_limit_is_where_the_test_just_rejects(first: Any, second: Any) -> None:
    groups = TwoGroups(*first, *second)
    low = risk_ratio(*first, *second).interval.low
    assert ratio_statistic(groups, low) == pytest.approx(1.959963984540054, abs=1e-6)


def test_no_adverse_case_in_the_second_group_is_said_in_words() -> None:
    estimate = risk_ratio(5, 20, 0, 20)
    assert estimate.value is None
    assert estimate.interval.high == math.inf
    assert caution_text(estimate.warnings[-1]) == (
        f"The second group has no adverse case, so the ratio has no finite value; it may be as low as "
        f"{estimate.interval.low:.2g}."
    )


def test_no_adverse_case_in_the_first_group_is_zero_with_an_upper_limit() -> None:
    estimate = risk_ratio(0, 20, 5, 20)
    assert (estimate.value, estimate.interval.low) == (0.0, 0.0)
    assert estimate.interval.high == pytest.approx(1 / risk_ratio(5, 20, 0, 20).interval.low)


def test_no_adverse_case_at_all_is_said_in_words() -> None:
    estimate = risk_ratio(0, 20, 0, 30)
    assert (estimate.value, estimate.interval) == (None, None)
    assert caution_text(estimate.warnings[0]).startswith("No case went adverse in either group")


def test_empty_group_is_said_in_words() -> None:
    assert caution_text(risk_ratio(0, 0, 3, 9).warnings[0]).startswith("The first group has no assessed case")


def test_impossible_requests_are_refused() -> None:
    with pytest.raises(RequestError):
        risk_ratio(3, 2, 1, 2)
    with pytest.raises(RequestError):
        risk_ratio(0, 0, 1, 2, level=95)


def test_cases_per_year_are_compared_as_statsmodels_compares_counts() -> None:
    """41 in 28,010 against 15 in 19,017 person-years (Boice & Monson 1977, quoted in textbooks; from memory): 1.86."""
    found = rate_ratio(41, 28_010.0, 15, 19_017.0)
    assert found.value == pytest.approx(1.86, abs=0.005)
    assert found.interval is not None
    for limit, tail in ((found.interval.low, "larger"), (found.interval.high, "smaller")):
        tested = poisson_test(41, 28_010, 15, 19_017, value=limit, method="cond-midp", alternative=tail)
        assert tested.pvalue == pytest.approx(0.025, abs=1e-4)


def test_cases_per_year_need_an_adverse_case_to_compare_with() -> None:
    assert rate_ratio(3, 10.0, 0, 10.0).value is None
    assert rate_ratio(0, 10.0, 0, 10.0).value is None
