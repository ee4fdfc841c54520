"""Risk differences: Newcombe's table, the published net shares, and symmetries."""

from __future__ import annotations

from collections.abc import Callable
from statistics import NormalDist
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from warehouse.analysis.difference import net_share, risk_difference
from warehouse.errors import RequestError
from warehouse.words.sentences import caution_text

CASES = [
    "difference 56/70 - 48/80",
    "difference 9/10 - 3/10",
    "difference 5/56 - 0/29",
    "difference 10/10 - 0/20",
]
counts = st.integers(0, 200).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
filled = counts.filter(lambda c: c[1] > 0)
levels = st.sampled_from([0.9, 0.95, 0.99])


def ends(x1: int, n1: int, x2: int, n2: int, level: float = 0.95) -> list[float]:
    interval = risk_difference(x1, n1, x2, n2, level=level).interval
    return [interval.low, interval.high]


@pytest.mark.parametrize("name", CASES)
def test_newcombe_1998_table_2(
    name: str, reference_case: Callable[[int, str], dict[str, Any]], as_printed: Callable[[Any], Any]
) -> None:
    # Newcombe 1998, Stat Med 17:873, Table II
    case = reference_case(2, name)
    assert ends(**case["data"]) == as_printed(case["expected"]["newcombe"])


@pytest.mark.parametrize("name", CASES)
def test_independently_computed_limits(name: str, reference_case: Callable[[int, str], dict[str, Any]]) -> None:
    # by statsmodels
    case = reference_case(2, name)
    assert ends(**case["data"]) == pytest.approx(case["computed"]["newcombe"], abs=1e-9)


@given(filled, filled, levels)
@settings(max_examples=25, deadline=None)
def test_newcombe_equals_statsmodels(first: Any, second: Any, level: float) -> None:
    from statsmodels.stats.proportion import confint_proportions_2indep

    low, high = confint_proportions_2indep(*first, *second, method="newcomb", compare="diff", alpha=1 - level)
    assert ends(*first, *second, level) == pytest.approx([low, high], abs=1e-9)


@given(counts, counts, levels)
@settings(deadline=None)
def test_never_raises_and_holds_the_estimate(first: Any, second: Any, level: float) -> None:
    estimate = risk_difference(*first, *second, level=level)
    if first[1] == 0 or second[1] == 0:
        assert (estimate.value, estimate.interval) == (None, None)
        assert "nothing to compare" in caution_text(estimate.warnings[0])
    else:
        assert -1.0 <= estimate.interval.low <= estimate.interval.high <= 1.0
        assert estimate.interval.low - 1e-12 <= estimate.value <= estimate.interval.high + 1e-12


@given(filled, filled)
@settings(deadline=None)
def test_swapping_groups_mirrors_the_result(first: Any, second: Any) -> None:
    one, two = risk_difference(*first, *second), risk_difference(*second, *first)
    assert two.value == pytest.approx(-one.value, abs=1e-12)
    assert [two.interval.low, two.interval.high] == pytest.approx([-one.interval.high, -one.interval.low], abs=1e-9)


@given(filled, filled)
@settings(deadline=None)
def test_counting_the_others_mirrors_the_result(first: Any, second: Any) -> None:
    (x1, n1), (x2, n2) = first, second
    low, high = ends(x1, n1, x2, n2)
    assert ends(n1 - x1, n1, n2 - x2, n2) == pytest.approx([-high, -low], abs=1e-9)


@given(filled, filled)
@settings(deadline=None)
def test_wider_at_a_higher_level(first: Any, second: Any) -> None:
    inner, outer = ends(*first, *second, 0.8), ends(*first, *second, 0.99)
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


@pytest.mark.parametrize(
    ("x", "y", "n", "level", "low", "high"),
    [
        (9, 3, 32, 0.95, -0.027, 0.390),  # Tango 1998, Stat Med 17:891, example 1
        (0, 1, 44, 0.90, -0.096, 0.037),  # the same, example 2
        (16, 8, 86, 0.95, -0.020, 0.207),  # Agresti & Min 2005, Stat Med 24:729
        (1, 7, 21, 0.95, -0.517, -0.026),  # Fagerland, Lydersen & Laake 2014, Stat Med 33:2850
        (25, 2, 102, 0.95, 0.139, 0.321),  # Chang et al. 2024
    ],
)
def test_net_shares_equal_the_published_examples(x: int, y: int, n: int, level: float, low: float, high: float) -> None:
    """Discordant pairs of published examples, as the tests of the R package ratesci quote them."""
    found = net_share(x, y, n, level=level)
    assert found.value == (x - y) / n
    assert found.interval is not None
    assert (round(found.interval.low, 3), round(found.interval.high, 3)) == (low, high)


@given(x=st.integers(0, 60), y=st.integers(0, 60), rest=st.integers(0, 60), level=levels)
@settings(max_examples=60)
def test_a_net_share_is_mirrored_and_its_ends_solve_the_score_equation(x: int, y: int, rest: int, level: float) -> None:
    n = x + y + rest
    found, mirror = net_share(x, y, n, level=level), net_share(y, x, n, level=level)
    if n == 0:
        assert found.value is None
        return
    assert found.value is not None
    assert found.interval is not None
    assert mirror.interval is not None
    assert (found.interval.low, found.interval.high) == (-mirror.interval.high, -mirror.interval.low)
    assert -1.0 <= found.interval.low <= found.value <= found.interval.high <= 1.0
    low = found.interval.low
    if low > -1.0 + 1e-6:
        second = likeliest_second(x, y, n, low)
        error = np.sqrt((2 * second + low - low * low) / n)
        assert (found.value - low) / error == pytest.approx(NormalDist().inv_cdf((1 + level) / 2), rel=1e-4)


def likeliest_second(x: int, y: int, n: int, net: float) -> float:
    """The likeliest share of the second class among those with this net, by a search of the likelihood."""
    from scipy.optimize import minimize_scalar
    from scipy.special import xlogy

    def surprise(second: float) -> float:
        rest = max(0.0, 1.0 - net - 2.0 * second)
        return -float(xlogy(x, second + net) + xlogy(y, second) + xlogy(n - x - y, rest))

    ends = max(0.0, -net), (1.0 - net) / 2.0
    return float(minimize_scalar(surprise, bounds=ends, method="bounded", options={"xatol": 1e-12}).x)


@pytest.mark.parametrize(("first", "second"), [(0.13, 0.11), (0.30, 0.10), (0.05, 0.02)])
def test_the_interval_of_a_net_share_covers_as_it_says(first: float, second: float) -> None:
    """Coverage by summing over every outcome of 60 cases."""
    from scipy.stats import multinomial

    n, covered = 60, 0.0
    chances = multinomial(n, [first, second, 1.0 - first - second])
    for x in range(n + 1):
        for y in range(n + 1 - x):
            chance = float(chances.pmf([x, y, n - x - y]))
            if chance > 1e-9:
                interval = net_share(x, y, n).interval
                assert interval is not None
                covered += chance * (interval.low <= first - second <= interval.high)
    assert 0.93 <= covered <= 0.975
