"""Shares: published intervals, independent libraries, and answers in words where there is no number."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom, binomtest

from warehouse.analysis.proportion import (
    missing_bounds,
    proportion,
    wilson_half_width,
    wilson_interval,
    zero_events_bound,
)
from warehouse.errors import RequestError
from warehouse.words.sentences import caution_text

METHODS = ["wilson", "wilson_corrected", "clopper_pearson", "mid_p", "jeffreys"]
CASES = ["one proportion 81/263", "one proportion 15/148", "one proportion 0/20"]
IN_FILE = {
    "wilson": "wilson",
    "cp": "clopper_pearson",
    "midp": "mid_p",
    "wilson_cc": "wilson_corrected",
    "jeffreys": "jeffreys",
}
counts = st.integers(0, 200).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
levels = st.sampled_from([0.8, 0.9, 0.95, 0.99, 0.999])


def limits(x: int, n: int, method: str, level: float = 0.95) -> list[float]:
    interval = proportion(x, n, method=method, level=level).interval
    return [interval.low, interval.high]


@pytest.mark.parametrize("name", CASES)
def test_newcombe_1998_table_1(
    name: str, reference_case: Callable[[int, str], dict[str, Any]], as_printed: Callable[[Any], Any]
) -> None:
    # Newcombe 1998, Stat Med 17:857, Table I, methods 3 (Wilson), 4 (corrected), 5 (exact), 6 (mid-P)
    case = reference_case(1, name)
    for key, published in case["expected"].items():
        assert limits(case["data"]["x"], case["data"]["n"], IN_FILE[key]) == as_printed(published), key


@pytest.mark.parametrize("name", CASES)
def test_r_computed_limits(name: str, reference_case: Callable[[int, str], dict[str, Any]]) -> None:
    # R 4.2.2 binom.test, prop.test, qbeta and uniroot
    case = reference_case(1, name)
    for key, computed in case["computed"].items():
        low, high = limits(case["data"]["x"], case["data"]["n"], IN_FILE[key])
        if key == "jeffreys" and case["data"]["x"] == 0:
            assert low == 0.0  # R's raw quantile is 2.4e-5; Brown, Cai & DasGupta 2001 set it to 0
        else:
            assert low == pytest.approx(computed[0], abs=1e-9)
        assert high == pytest.approx(computed[1], abs=1e-9)


@pytest.mark.parametrize("index", range(3))
def test_half_width_published(
    index: int, reference_case: Callable[[int, str], dict[str, Any]], as_printed: Callable[[Any], Any]
) -> None:
    # frozen values of a public review note
    case = reference_case(15, "Wilson half-width")
    share, n = case["data"]["cases"][index]
    assert wilson_half_width(share, n) == as_printed(case["expected"]["v"][index])


@pytest.mark.parametrize("index", range(4))
def test_half_width_computed(index: int, reference_case: Callable[[int, str], dict[str, Any]]) -> None:
    case = reference_case(15, "Wilson half-width")
    assert wilson_half_width(*case["data"]["cases"][index]) == pytest.approx(case["computed"][index], abs=1e-12)


@pytest.mark.parametrize("n", [10, 14, 20, 30, 50, 100])
def test_zero_event_bounds_computed(n: int, reference_case: Callable[[int, str], dict[str, Any]]) -> None:
    exact_two_sided = reference_case(15, "rule of three")["computed"][str(n)][2]
    assert proportion(0, n, method="clopper_pearson").interval.high == pytest.approx(exact_two_sided, abs=1e-12)
    assert zero_events_bound(n) == pytest.approx(wilson_interval(0.0, n).high, abs=1e-12)


@given(counts.filter(lambda c: c[1] > 0), st.sampled_from(["wilson", "wilson_corrected", "clopper_pearson"]), levels)
def test_equals_scipy(count: tuple[int, int], method: str, level: float) -> None:
    x, n = count
    names = {"wilson": "wilson", "wilson_corrected": "wilsoncc", "clopper_pearson": "exact"}
    reference = binomtest(x, n).proportion_ci(level, method=names[method])
    assert limits(x, n, method, level) == pytest.approx([reference.low, reference.high], abs=1e-9)


@given(counts, st.sampled_from(METHODS), levels)
def test_interval_holds_the_share_and_stays_within_bounds(count: tuple[int, int], method: str, level: float) -> None:
    x, n = count
    estimate = proportion(x, n, method=method, level=level)
    if n == 0:
        assert estimate.value is None
        assert estimate.interval is None
    else:
        assert 0.0 <= estimate.interval.low <= estimate.value <= estimate.interval.high <= 1.0
        assert estimate.interval.level == level
        assert estimate.n == n


@given(counts.filter(lambda c: c[1] > 0), st.sampled_from(METHODS))
def test_counting_the_others_mirrors_the_interval(count: tuple[int, int], method: str) -> None:
    x, n = count
    low, high = limits(x, n, method)
    assert limits(n - x, n, method) == pytest.approx([1 - high, 1 - low], abs=1e-9)


@given(st.integers(1, 199), st.sampled_from(METHODS))
def test_limits_rise_with_the_count(n: int, method: str) -> None:
    found = [limits(x, n, method) for x in range(0, n + 1, max(1, n // 7))]
    assert [f[0] for f in found] == sorted(f[0] for f in found)
    assert [f[1] for f in found] == sorted(f[1] for f in found)


@given(counts.filter(lambda c: c[0] > 0), levels)
def test_mid_p_limit_splits_the_tail(count: tuple[int, int], level: float) -> None:
    x, n = count
    low = limits(x, n, "mid_p", level)[0]
    above = binom.sf(x, n, low) + binom.pmf(x, n, low) / 2
    if x < n or low > 0:
        assert above == pytest.approx((1 - level) / 2, abs=1e-7)


@given(counts.filter(lambda c: c[1] > 0), levels)
def test_exact_interval_is_the_widest(count: tuple[int, int], level: float) -> None:
    exact = limits(*count, "clopper_pearson", level)
    for method in ("mid_p", "jeffreys"):
        low, high = limits(*count, method, level)
        assert exact[0] - 1e-12 <= low
        assert high <= exact[1] + 1e-12


def test_wilson_interval_with_no_case_knows_nothing() -> None:
    assert (wilson_interval(0.3, 0).low, wilson_interval(0.3, 0).high) == (0.0, 1.0)


def test_no_case_is_said_in_words() -> None:
    estimate = proportion(0, 0)
    assert [caution_text(c) for c in estimate.warnings] == [
        "No case was assessed, so nothing can be said about the share."
    ]
    assert estimate.method == "Wilson score interval"


def test_zero_of_twelve_is_said_in_words() -> None:
    sentence = "No adverse case in 12: the share may still be as high as 24% (95% interval)."
    assert [caution_text(c) for c in proportion(0, 12).warnings] == [sentence]


def test_all_of_them_is_said_in_words() -> None:
    assert (
        caution_text(proportion(12, 12).warnings[0])
        == "All 12 cases went adverse: the share may still be as low as 76% (95% interval)."
    )
    assert caution_text(proportion(1, 1).warnings[0]).startswith("The one case went adverse")


def test_few_cases_carry_a_warning() -> None:
    assert [c.kind for c in proportion(3, 9).warnings] == ["small_sample"]
    assert "Only 1 case was assessed" in caution_text(proportion(1, 1).warnings[1])
    assert proportion(3, 10).warnings == ()


def test_no_bound_without_a_case() -> None:
    assert zero_events_bound(0) == 1.0


@pytest.mark.parametrize(("x", "n"), [(5, 4), (-1, 4), (1.5, 4), (0, -1)])
def test_impossible_counts_are_refused(x: int, n: int) -> None:
    with pytest.raises(RequestError, match="not a count"):
        proportion(x, n)


def test_unknown_method_is_refused_with_near_names() -> None:
    with pytest.raises(RequestError, match="did you mean wilson"):
        proportion(1, 2, method="willson")


@pytest.mark.parametrize("level", [0.0, 1.0, 95])
def test_impossible_level_is_refused(level: float) -> None:
    with pytest.raises(RequestError, match="divide a percentage"):
        proportion(1, 2, level=level)


def test_missing_cases_bound_the_share() -> None:
    bounds = missing_bounds(12, 60, 15)
    assert bounds.observed.value == pytest.approx(12 / 60)
    assert bounds.none_adverse.value == pytest.approx(12 / 75)
    assert bounds.all_adverse.value == pytest.approx(27 / 75)
    assert bounds.all_adverse.interval == proportion(27, 75).interval
    assert bounds.n_missing == 15


@given(counts, st.integers(0, 50))
def test_observed_share_lies_between_the_bounds(count: tuple[int, int], missing: int) -> None:
    x, n = count
    bounds = missing_bounds(x, n, missing)
    if n:
        low, high = bounds.none_adverse.value, bounds.all_adverse.value
        assert low - 1e-12 <= bounds.observed.value <= high + 1e-12
        assert high - low == pytest.approx(missing / (n + missing))


def test_nobody_at_all_has_no_bounds() -> None:
    bounds = missing_bounds(0, 0, 0)
    assert bounds.observed.value is None
    assert bounds.all_adverse.value is None


def test_all_missing_leaves_everything_open() -> None:
    bounds = missing_bounds(0, 0, 8)
    assert (bounds.none_adverse.value, bounds.all_adverse.value) == (0.0, 1.0)
    assert bounds.observed.value is None
