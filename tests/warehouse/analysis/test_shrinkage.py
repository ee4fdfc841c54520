"""Partial pooling: the fitted common distribution, the integral by brute force, tiny counts."""

from __future__ import annotations

from collections.abc import Callable
from math import inf
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import betaln
from scipy.stats import betabinom, binom

from warehouse.analysis.shrinkage import PartialPooling, fit_beta_binomial, partial_pooling
from warehouse.errors import RequestError
from warehouse.words.sentences import caution_text

groups_of_counts = st.lists(
    st.integers(0, 40).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))), min_size=1, max_size=8
)


def pooled(counts: list[tuple[int, int]], level: float = 0.95) -> PartialPooling:
    names = [f"g{i}" for i in range(len(counts))]
    return partial_pooling(names, [x for x, _ in counts], [n for _, n in counts], level=level)


@pytest.fixture
def baseball(reference_case: Callable[[int, str], dict[str, Any]]) -> dict[str, Any]:
    """Efron & Morris 1975: hits of 18 players in their first 45 times at bat."""
    return reference_case(8, "Efron-Morris baseball")


def test_maximum_likelihood_of_the_baseball_data(baseball: dict[str, Any]) -> None:
    # scipy optimisation recorded in the case file; flat in the weight, so that to 1e-3
    hits = np.array(baseball["data"]["hits45"], dtype=float)
    computed = baseball["computed"]["betabinom_mle"]
    found = fit_beta_binomial(hits, np.full(18, 45.0))
    assert found.mean == pytest.approx(computed["mu"], abs=1e-6)
    assert found.prior_cases == pytest.approx(computed["M"], rel=1e-3)
    assert found.log_likelihood == pytest.approx(computed["loglik_with_binom_coef"], abs=1e-8)


def test_pooling_improves_on_raw_rates_in_the_rest_of_the_season(baseball: dict[str, Any]) -> None:
    # Efron & Morris: shrinking is 3.5 times as good there (James-Stein); partial pooling must gain about as much
    data = baseball["data"]
    found = partial_pooling(data["name"], data["hits45"], [data["n"]] * 18)
    later = np.array(data["rest_avg"])
    raw = sum((r.raw.value - y) ** 2 for r, y in zip(found.rates, later, strict=True))
    shrunk = sum((r.pooled.value - y) ** 2 for r, y in zip(found.rates, later, strict=True))
    assert raw / shrunk > 3.0
    grand = baseball["computed"]["pbar"]
    weight = found.rates[0].weight_on_own
    assert found.rates[0].pooled.value == pytest.approx(grand + weight * (18 / 45 - grand), abs=2e-3)
    # James-Stein on the raw scale keeps 0.21 of each player's own rate (Efron 2010), the maximum of the likelihood even
    # less; integrating over what the data leave open keeps more, for the sake of intervals that hold
    assert weight == pytest.approx(baseball["computed"]["raw_shrink_factor"], abs=0.12)


def test_fit_is_the_top_of_scipys_likelihood() -> None:
    x, n = np.array([1.0, 9.0, 2.0, 15.0, 4.0]), np.array([20.0, 25.0, 30.0, 22.0, 40.0])
    found = fit_beta_binomial(x, n)
    assert found.mean is not None

    def height(mean: float, weight: float) -> float:
        return float(betabinom.logpmf(x, n, mean * weight, (1 - mean) * weight).sum())

    top = height(found.mean, found.prior_cases)
    assert found.log_likelihood == pytest.approx(top, abs=1e-8)
    for mean, weight in ((1.02, 1.0), (0.98, 1.0), (1.0, 1.05), (1.0, 0.95)):
        assert height(found.mean * mean, found.prior_cases * weight) < top


def test_rates_that_differ_by_chance_alone_have_a_prior_of_infinite_weight() -> None:
    x, n = np.array([4.0, 5.0, 4.0]), np.array([40.0, 50.0, 40.0])
    found = fit_beta_binomial(x, n)
    assert found.prior_cases == inf
    assert found.mean == pytest.approx(13 / 130)
    assert found.log_likelihood == pytest.approx(float(binom.logpmf(x, n, 0.1).sum()))


@pytest.mark.parametrize(("adverse", "mean"), [([0.0, 0.0], 0.0), ([5.0, 7.0], 1.0)])
def test_all_or_none_adverse_is_fitted_at_the_edge(adverse: list[float], mean: float) -> None:
    found = fit_beta_binomial(np.array(adverse), np.array([5.0, 7.0]))
    assert (found.mean, found.prior_cases, found.log_likelihood) == (mean, inf, 0.0)


def test_posterior_is_the_integral_by_brute_force() -> None:
    counts = [(1, 4), (0, 6), (7, 9), (3, 20)]
    x, n = (np.array(part, dtype=float) for part in zip(*counts, strict=True))
    typical = 4.0 / np.sum(1.0 / n)
    mu = (np.arange(400) + 0.5) / 400
    share = (np.arange(400) + 0.5) / 400
    weight = (typical * share / (1.0 - share))[:, None]
    a, b = mu * weight, (1.0 - mu) * weight
    height = sum(betaln(a + xi, b + ni - xi) - betaln(a, b) for xi, ni in counts)
    height = height + np.log((weight + typical) ** 2 / (weight + 1.0) ** 2)  # from even shares to even correlations
    mass = np.exp(height - height.max())
    mass /= mass.sum()
    found = pooled(counts)
    for i, rate in enumerate(found.rates):
        mean = (x[i] + a) / (n[i] + weight)
        assert rate.pooled.value == pytest.approx(np.sum(mass * mean), abs=2e-4)
        assert rate.weight_on_own == pytest.approx(np.sum(mass * (n[i] / (n[i] + weight))), abs=2e-3)
        second = np.sum(mass * (mean * (1 - mean) / (n[i] + weight + 1) + mean**2))
        variance = second - np.sum(mass * mean) ** 2
        assert rate.pooled.interval is not None
        size = np.sum(mass * mean) * (1 - np.sum(mass * mean)) / variance - 1
        from scipy.stats import beta

        limits = beta.ppf([0.025, 0.975], np.sum(mass * mean) * size, (1 - np.sum(mass * mean)) * size)
        assert [rate.pooled.interval.low, rate.pooled.interval.high] == pytest.approx(limits.tolist(), abs=3e-3)


@settings(max_examples=40, deadline=None)
@given(groups_of_counts)
def test_pooled_rates_lie_between_and_keep_their_order(counts: list[tuple[int, int]]) -> None:
    found = pooled(counts)
    for rate in found.rates:
        if rate.pooled.value is None:
            assert sum(n for _, n in counts) == 0
            continue
        assert rate.pooled.interval is not None
        assert 0.0 <= rate.pooled.interval.low < rate.pooled.value < rate.pooled.interval.high <= 1.0
        assert rate.weight_on_own is not None
        assert 0.0 <= rate.weight_on_own < 1.0
    same_size = [
        (r.raw.value, r.pooled.value) for r, (_, n) in zip(found.rates, counts, strict=True) if n == counts[0][1]
    ]
    if counts[0][1] > 0:
        assert sorted(same_size) == sorted(same_size, key=lambda pair: pair[1])


@settings(max_examples=20, deadline=None)
@given(groups_of_counts, st.integers(0, 100))
def test_order_of_groups_plays_no_part(counts: list[tuple[int, int]], seed: int) -> None:
    order = np.random.default_rng(seed).permutation(len(counts))
    plain, shuffled = pooled(counts), pooled([counts[i] for i in order])
    for place, i in enumerate(order):
        ours, theirs = shuffled.rates[place].pooled.value, plain.rates[i].pooled.value
        assert ours == (theirs if theirs is None else pytest.approx(theirs, rel=1e-7))


def test_large_groups_keep_their_own_rate_and_small_ones_are_drawn() -> None:
    found = pooled([(500, 1000), (100, 1000), (300, 1000), (1, 1)])
    assert found.rates[0].pooled.value == pytest.approx(0.5, abs=0.01)
    last = found.rates[3]
    assert last.raw.value == 1.0
    assert last.pooled.value is not None
    assert last.pooled.value < 0.6
    assert last.weight_on_own is not None
    assert last.weight_on_own < 0.3
    assert found.warnings == ()


def test_group_without_a_case_is_a_group_like_the_others() -> None:
    found = pooled([(5, 40), (8, 50), (3, 30), (6, 45), (0, 0)])
    empty = found.rates[4]
    assert empty.raw.value is None
    assert empty.weight_on_own == 0.0
    assert empty.pooled.value == pytest.approx(0.14, abs=0.03)
    assert caution_text(empty.pooled.warnings[0]).startswith("No case of its own")


def test_few_groups_and_no_difference_are_told() -> None:
    texts = [caution_text(caution) for caution in pooled([(1, 10), (1, 10)]).warnings]
    assert "Only 2 groups have cases" in texts[0]
    assert "no more than chance" in texts[1]
    alone = pooled([(1, 10)]).warnings
    assert [caution_text(caution).split(":")[0] for caution in alone] == ["Only 1 group has cases"]


def test_no_case_anywhere_is_told_in_words() -> None:
    found = pooled([(0, 0), (0, 0)])
    assert [rate.pooled.value for rate in found.rates] == [None, None]
    assert found.fit.mean is None
    assert "No group has a case" in caution_text(found.warnings[0])
    nothing = partial_pooling([], [], [])
    assert (nothing.rates, nothing.warnings) == ((), ())


def test_a_million_cases_need_no_more_points() -> None:
    found = pooled([(100_000, 1_000_000), (1_000, 10_000), (5, 50), (20, 100)])
    assert found.rates[0].pooled.value == pytest.approx(0.1, abs=1e-5)
    interval = found.rates[0].pooled.interval
    assert interval is not None
    assert interval.high - interval.low == pytest.approx(2 * 1.96 * 3e-4, rel=0.02)


def test_counts_that_are_none_are_refused() -> None:
    with pytest.raises(RequestError):
        pooled([(3, 2)])
    with pytest.raises(RequestError):
        partial_pooling(["a"], [1, 2], [3])
    with pytest.raises(RequestError):
        partial_pooling(["a"], [1], [3, 4])
