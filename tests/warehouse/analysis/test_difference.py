"""Risk differences: Newcombe's table, an independent likelihood search, and symmetries."""

from __future__ import annotations

from collections.abc import Callable
from statistics import NormalDist
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from warehouse.analysis.difference import risk_difference
from warehouse.analysis.two_groups import TwoGroups, difference_statistic, shares_at_difference
from warehouse.errors import RequestError
from warehouse.words.sentences import caution_text

METHODS = ["newcombe", "miettinen_nurminen"]
CASES = [
    "difference 56/70 - 48/80",
    "difference 9/10 - 3/10",
    "difference 5/56 - 0/29",
    "difference 10/10 - 0/20",
]
counts = st.integers(0, 200).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
filled = counts.filter(lambda c: c[1] > 0)
levels = st.sampled_from([0.9, 0.95, 0.99])


def ends(x1: int, n1: int, x2: int, n2: int, method: str, level: float = 0.95) -> list[float]:
    interval = risk_difference(x1, n1, x2, n2, method=method, level=level).interval
    return [interval.low, interval.high]


@pytest.mark.parametrize("name", CASES)
def test_newcombe_1998_table_2(
    name: str, reference_case: Callable[[int, str], dict[str, Any]], as_printed: Callable[[Any], Any]
) -> None:
    # Newcombe 1998, Stat Med 17:873, Table II
    case = reference_case(2, name)
    for method in METHODS:
        published = case["expected"][method]
        if published is not None:
            assert ends(**case["data"], method=method) == as_printed(published), method


@pytest.mark.parametrize("name", CASES)
def test_independently_computed_limits(name: str, reference_case: Callable[[int, str], dict[str, Any]]) -> None:
    # constrained likelihood with a root search, checked by brute force; Newcombe also by statsmodels
    case = reference_case(2, name)
    for method in METHODS:
        assert ends(**case["data"], method=method) == pytest.approx(case["computed"][method], abs=1e-9)


@given(filled, filled, levels)
@settings(max_examples=25, deadline=None)
def test_newcombe_equals_statsmodels(first: Any, second: Any, level: float) -> None:
    from statsmodels.stats.proportion import confint_proportions_2indep

    low, high = confint_proportions_2indep(*first, *second, method="newcomb", compare="diff", alpha=1 - level)
    assert ends(*first, *second, "newcombe", level) == pytest.approx([low, high], abs=1e-9)


@given(counts, counts, st.sampled_from(METHODS), levels)
@settings(deadline=None)
def test_never_raises_and_holds_the_estimate(first: Any, second: Any, method: str, level: float) -> None:
    estimate = risk_difference(*first, *second, method=method, level=level)
    if first[1] == 0 or second[1] == 0:
        assert (estimate.value, estimate.interval) == (None, None)
        assert "nothing to compare" in caution_text(estimate.warnings[0])
    else:
        assert -1.0 <= estimate.interval.low <= estimate.interval.high <= 1.0
        assert estimate.interval.low - 1e-12 <= estimate.value <= estimate.interval.high + 1e-12


@given(filled, filled, st.sampled_from(METHODS))
@settings(deadline=None)
def test_swapping_groups_mirrors_the_result(first: Any, second: Any, method: str) -> None:
    one, two = risk_difference(*first, *second, method=method), risk_difference(*second, *first, method=method)
    assert two.value == pytest.approx(-one.value, abs=1e-12)
    assert [two.interval.low, two.interval.high] == pytest.approx([-one.interval.high, -one.interval.low], abs=1e-9)
    if one.p_value is not None:
        assert two.p_value == pytest.approx(one.p_value, abs=1e-9)


@given(filled, filled, st.sampled_from(METHODS))
@settings(deadline=None)
def test_counting_the_others_mirrors_the_result(first: Any, second: Any, method: str) -> None:
    (x1, n1), (x2, n2) = first, second
    low, high = ends(x1, n1, x2, n2, method)
    assert ends(n1 - x1, n1, n2 - x2, n2, method) == pytest.approx([-high, -low], abs=1e-9)


@given(filled, filled, st.floats(-0.99, 0.99))
def test_constrained_shares_beat_their_neighbours(first: Any, second: Any, delta: Any) -> None:
    groups = TwoGroups(*first, *second)
    _, share = shares_at_difference(groups, delta)
    grid = np.linspace(max(0.0, -delta), min(1.0, 1.0 - delta), 401)[1:-1]
    (x1, n1), (x2, n2) = first, second

    def log_likelihood(q: np.ndarray) -> np.ndarray:
        p = np.clip(q + delta, 1e-300, 1 - 1e-16)
        q = np.clip(q, 1e-300, 1 - 1e-16)
        return x1 * np.log(p) + (n1 - x1) * np.log1p(-p) + x2 * np.log(q) + (n2 - x2) * np.log1p(-q)

    assert 0.0 <= share <= 1.0
    best = log_likelihood(grid).max()
    assert float(log_likelihood(np.array([share]))[0]) >= best - 1e-7 * (1 + abs(best))


@given(filled, filled, levels)
@settings(deadline=None)
def test_score_limits_are_where_the_test_just_rejects(first: Any, second: Any, level: float) -> None:
    groups = TwoGroups(*first, *second)
    low, high = ends(*first, *second, "miettinen_nurminen", level)
    z = NormalDist().inv_cdf(0.5 + level / 2)
    if low > -0.999:
        assert difference_statistic(groups, low) == pytest.approx(z, abs=1e-6)
    if high < 0.999:
        assert difference_statistic(groups, high) == pytest.approx(-z, abs=1e-6)


@given(filled, filled, levels)
@settings(deadline=None)
def test_p_value_agrees_with_the_interval(first: Any, second: Any, level: float) -> None:
    estimate = risk_difference(*first, *second, method="miettinen_nurminen", level=level)
    if estimate.p_value < (1 - level) * 0.999:
        assert not estimate.interval.low < 0.0 < estimate.interval.high
    if estimate.p_value > (1 - level) * 1.001:
        assert 0.0 in estimate.interval


@given(filled, filled)
@settings(deadline=None)
def test_wider_at_a_higher_level(first: Any, second: Any) -> None:
    inner, outer = ends(*first, *second, "miettinen_nurminen", 0.8), ends(*first, *second, "miettinen_nurminen", 0.99)
    assert outer[0] <= inner[0] + 1e-12
    assert outer[1] >= inner[1] - 1e-12


@pytest.mark.parametrize(
    ("n1", "n2", "said"), [(0, 5, "The first group"), (5, 0, "The second group"), (0, 0, "Neither group")]
)
def test_empty_group_is_said_in_words(n1: int, n2: int, said: Any) -> None:
    estimate = risk_difference(0, n1, 0, n2)
    assert caution_text(estimate.warnings[0]).startswith(said)
    assert estimate.n == n1 + n2


def test_small_group_carries_a_warning() -> None:
    assert caution_text(risk_difference(1, 1, 5, 50).warnings[0]).startswith("The smaller group has only 1 case:")
    assert risk_difference(1, 10, 5, 50).warnings == ()


@pytest.mark.parametrize("counted", [(6, 5, 1, 5), (1, 5, -1, 5)])
def test_impossible_counts_are_refused(counted: Any) -> None:
    with pytest.raises(RequestError, match="not a count"):
        risk_difference(*counted)


def test_unknown_method_is_refused() -> None:
    with pytest.raises(RequestError, match="there is no method"):
        risk_difference(1, 2, 1, 2, method="score")
