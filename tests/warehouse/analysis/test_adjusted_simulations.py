"""Adjusted comparisons on invented cohorts with a known truth: bias, coverage, missing outcomes (slow; fixed seeds)."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import polars as pl
import pytest

from tests.warehouse.analysis.weighting_cases import confounded
from warehouse.analysis.ancova import ancova
from warehouse.analysis.change import median_change
from warehouse.analysis.group_pair import GroupPair, pair_groups
from warehouse.analysis.longitudinal import mixed_model
from warehouse.analysis.missing import impute_and_compare
from warehouse.analysis.shrinkage import partial_pooling
from warehouse.analysis.standardise import standardised_risks
from warehouse.analysis.weighting import weighted_comparison
from warehouse.results import Estimate

pytestmark = pytest.mark.slow

RUNS = 300
EFFECT = 0.7


def within_chance(hits: int, runs: int, level: float = 0.95) -> bool:
    """Whether a hit rate is within three Monte-Carlo standard errors of its nominal level."""
    return abs(hits / runs - level) <= 3.0 * math.sqrt(level * (1.0 - level) / runs)


def holds(estimate: Estimate, truth: float) -> bool:
    assert estimate.interval is not None
    return truth in estimate.interval


def as_pair(frame: pl.DataFrame) -> GroupPair:
    return pair_groups(frame, outcome="adverse", group="appliance", first="a", second="b", covariates=["face", "age"])


@cache
def truth(target: str, effect: float) -> float:
    """The marginal risk difference of the invented model in a target population, over a million cases."""
    big = confounded(1_000_000, np.random.default_rng(0))
    face, age = big["face"].to_numpy(), big["age"].to_numpy() - 12.0
    gap = [1.0 / (1.0 + np.exp(-(-1.2 + 0.8 * face - 0.15 * age + step))) for step in (effect, 0.0)]
    e = 1.0 / (1.0 + np.exp(-(0.8 * face - 0.2 * age)))
    weights = {"everyone": np.ones(e.size), "first_group": e, "overlap": e * (1.0 - e)}[target]
    return float(np.average(gap[0] - gap[1], weights=weights))


@pytest.mark.parametrize("effect", [0.0, EFFECT])
@pytest.mark.parametrize("target", ["everyone", "first_group", "overlap"])
def test_weighted_difference_is_unbiased_and_keeps_its_level(target: str, effect: float) -> None:
    rng = np.random.default_rng(11)
    hits, values, crude = 0, [], []
    for _ in range(RUNS):
        pair = as_pair(confounded(500, rng, effect=effect))
        found = weighted_comparison(pair, target=target).contrast.difference  # type: ignore[arg-type]
        hits += holds(found, truth(target, effect))
        values.append(found.value or 0.0)
        crude.append(pair.outcome[pair.first].mean() - pair.outcome[~pair.first].mean())
    noise = 3.0 * np.std(values) / math.sqrt(RUNS)
    assert within_chance(hits, RUNS)
    assert np.mean(values) == pytest.approx(truth(target, effect), abs=noise)
    assert np.mean(crude) - truth(target, effect) > 0.1


@pytest.mark.parametrize("effect", [0.0, EFFECT])
def test_standardised_difference_is_unbiased_and_keeps_its_level(effect: float) -> None:
    rng = np.random.default_rng(12)
    hits, values = 0, []
    for _ in range(RUNS):
        found = standardised_risks(as_pair(confounded(500, rng, effect=effect))).difference
        hits += holds(found, truth("everyone", effect))
        values.append(found.value or 0.0)
    assert within_chance(hits, RUNS)
    assert np.mean(values) == pytest.approx(truth("everyone", effect), abs=3.0 * np.std(values) / math.sqrt(RUNS))


def test_errors_that_ignore_the_fitted_propensity_are_too_wide_here() -> None:
    rng = np.random.default_rng(13)
    known = fitted = 0.0
    for _ in range(100):
        pair = as_pair(confounded(500, rng))
        for propensity_known in (True, False):
            found = weighted_comparison(pair, target="everyone", propensity_known=propensity_known)
            interval = found.contrast.difference.interval
            assert interval is not None
            known += (interval.high - interval.low) * propensity_known
            fitted += (interval.high - interval.low) * (not propensity_known)
    assert fitted < 0.95 * known


def test_covariance_analysis_keeps_its_level_with_unequal_spread() -> None:
    rng = np.random.default_rng(14)
    hits = 0
    for _ in range(RUNS):
        second = rng.random(80) < 0.3
        before = rng.normal(33.0, 4.0, 80) + 3.0 * second
        after = 6.0 + 0.8 * before + 1.0 * second + rng.normal(size=80) * np.where(second, 3.0, 1.0)
        frame = pl.DataFrame({"g": np.where(second, "b", "a"), "before": before, "after": after})
        found = ancova(frame, before="before", after="after", group="g", reference="a")
        hits += holds(found.differences[0], 1.0)
    assert within_chance(hits, RUNS)


def hidden(rng: np.random.Generator, n: int = 600) -> tuple[pl.DataFrame, float]:
    """Cases of which long faces are often not assessed, and the true difference of shares."""
    first = rng.random(n) < 0.5
    face = rng.normal(size=n) + 0.5 * first

    def risk(values: np.ndarray) -> np.ndarray:
        return 1.0 / (1.0 + np.exp(-(-1.0 + 1.2 * values)))

    adverse = rng.random(n) < risk(face)
    seen = rng.random(n) < 1.0 / (1.0 + np.exp(-(0.8 - 1.2 * face)))
    frame = pl.DataFrame({"g": np.where(first, "a", "b"), "face": face, "adverse": adverse, "seen": seen})
    grid = np.linspace(-8.0, 8.0, 4001)
    density = np.exp(-(grid**2) / 2.0) / np.sqrt(2.0 * np.pi) * (grid[1] - grid[0])
    return frame, float(density @ (risk(grid + 0.5) - risk(grid)))


def test_imputation_is_unbiased_and_keeps_its_level_where_complete_cases_are_biased() -> None:
    rng = np.random.default_rng(15)
    hits, values, complete, gap = 0, [], [], 0.0
    for _ in range(RUNS):
        frame, gap = hidden(rng)
        blinded = frame.with_columns(adverse=pl.when("seen").then(pl.col("adverse")).otherwise(None))
        pair = pair_groups(
            blinded,
            outcome="adverse",
            group="g",
            first="a",
            second="b",
            covariates=["face"],
            keep_missing_outcome=True,
        )
        found = impute_and_compare(pair, rng=rng).difference
        hits += holds(found, gap)
        values.append(found.value or 0.0)
        seen = frame.filter("seen").group_by("g").agg(pl.col("adverse").mean()).sort("g")["adverse"]
        complete.append(seen[0] - seen[1])
    assert within_chance(hits, RUNS)
    assert np.mean(values) == pytest.approx(gap, abs=3.0 * np.std(values) / math.sqrt(RUNS))
    assert abs(np.mean(complete) - gap) > 3.0 * np.std(complete) / math.sqrt(RUNS)


def test_mixed_model_keeps_its_level_when_later_times_depend_on_earlier_values() -> None:
    rng = np.random.default_rng(16)
    hits, values = 0, []
    for _ in range(RUNS):
        group = np.arange(60) % 2
        own = rng.normal(size=(60, 2)) * [2.0, 0.08]
        months = np.tile(np.array([0.0, 12.0, 24.0, 36.0]), (60, 1))
        value = 33.0 + own[:, :1] + (0.05 * group[:, None] + own[:, 1:]) * months + rng.normal(size=(60, 4))
        gone = np.zeros((60, 4), dtype=bool)
        gone[:, 2:] = (value[:, 1:2] - value[:, :1] > 1.0) & (rng.random((60, 1)) < 0.6)
        frame = pl.DataFrame(
            {
                "case": np.repeat(np.arange(60), 4),
                "months": months.ravel(),
                "g": np.repeat(np.where(group == 1, "b", "a"), 4),
                "value": np.where(gone, np.nan, value).ravel(),
            }
        )
        model = mixed_model(frame, value="value", time="months", case="case", group="g")
        found = model.term("months × g=b")
        hits += holds(found, 0.05)
        values.append(found.value or 0.0)
    assert within_chance(hits, RUNS)
    assert np.mean(values) == pytest.approx(0.05, abs=3.0 * np.std(values) / math.sqrt(RUNS))


def test_pooled_intervals_hold_on_average_over_groups() -> None:
    rng = np.random.default_rng(17)
    hits = total = 0
    error_raw = error_pooled = 0.0
    for _ in range(RUNS):
        rates = rng.beta(4.0, 16.0, 8)
        cases = rng.integers(5, 60, 8)
        adverse = rng.binomial(cases, rates)
        found = partial_pooling([str(i) for i in range(8)], adverse.tolist(), cases.tolist())
        for rate, true in zip(found.rates, rates, strict=True):
            hits += holds(rate.pooled, float(true))
            total += 1
            error_raw += ((rate.raw.value or 0.0) - true) ** 2
            error_pooled += ((rate.pooled.value or 0.0) - true) ** 2
    # rates of one data set go together, so the Monte-Carlo error is that of the data sets, not of the single rates
    assert hits / total == pytest.approx(0.95, abs=3.0 * math.sqrt(0.95 * 0.05 / RUNS))
    assert error_pooled < 0.8 * error_raw


def test_exact_interval_of_the_median_covers_at_least_as_often_as_it_says() -> None:
    rng = np.random.default_rng(18)
    hits = sum(holds(median_change(rng.exponential(size=25), unit="mm"), math.log(2.0)) for _ in range(1_000))
    assert hits / 1_000 > 0.95 - 3.0 * math.sqrt(0.95 * 0.05 / 1_000)
    # 25 cases: order statistics 8 and 18 cover 95.67 %
    assert hits / 1_000 == pytest.approx(0.9567, abs=0.02)
