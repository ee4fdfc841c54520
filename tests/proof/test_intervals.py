"""(a) Every interval holds the truth as often as it says."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import polars as pl
import pytest
from scipy.special import expit

from tests.proof.ledger import Ledger
from warehouse.analysis.age_curve import age_curve
from warehouse.analysis.ancova import ancova
from warehouse.analysis.change import mean_change, median_change
from warehouse.analysis.difference import risk_difference
from warehouse.analysis.longitudinal import mixed_model
from warehouse.analysis.odds_ratio import odds_ratio
from warehouse.analysis.proportion import proportion
from warehouse.analysis.ratio import risk_ratio
from warehouse.analysis.shrinkage import partial_pooling
from warehouse.analysis.trend import cochran_armitage
from warehouse.results import Estimate

pytestmark = pytest.mark.slow

MANY, SOME, FEW = 4_000, 1_000, 300


def held(estimate: Estimate, truth: float) -> bool:
    return estimate.interval is not None and truth in estimate.interval


SHARES = {
    "share, Wilson": ("wilson", False),
    "share, Jeffreys": ("jeffreys", False),
    "share, mid-P exact": ("mid_p", True),
    "share, Clopper-Pearson exact": ("clopper_pearson", True),
}


@pytest.mark.parametrize("name", SHARES)
def test_a_share(name: str, ledger: Ledger) -> None:
    method, at_least = SHARES[name]
    rng = np.random.default_rng(101)
    hits = []
    for _ in range(MANY):
        p, n = rng.uniform(0.05, 0.5), int(rng.integers(20, 200))
        found = proportion(int(rng.binomial(n, p)), n, method=method)  # type: ignore[arg-type]
        hits.append(held(found, p))
    assert ledger.coverage(name, hits, at_least=at_least).holds


TWO_SHARES: dict[str, tuple[Callable[..., Estimate], Callable[[float, float], float], bool]] = {
    "difference, Newcombe": (risk_difference, lambda p, q: p - q, False),
    "ratio, Miettinen-Nurminen": (risk_ratio, lambda p, q: p / q, False),
    "odds ratio, Woolf": (odds_ratio, lambda p, q: p * (1 - q) / (q * (1 - p)), True),
}


@pytest.mark.parametrize("name", TWO_SHARES)
def test_two_shares(name: str, ledger: Ledger) -> None:
    estimator, truth, at_least = TWO_SHARES[name]
    rng = np.random.default_rng(102)
    hits = []
    for _ in range(MANY):
        p, q = rng.uniform(0.1, 0.5, 2)
        n1, n2 = (int(n) for n in rng.integers(30, 200, 2))
        found = estimator(int(rng.binomial(n1, p)), n1, int(rng.binomial(n2, q)), n2)
        if found.interval is not None:
            hits.append(held(found, truth(p, q)))
    assert len(hits) > 0.99 * MANY
    assert ledger.coverage(name, hits, at_least=at_least).holds


def test_a_mean_and_a_median_of_changes(ledger: Ledger) -> None:
    rng = np.random.default_rng(103)
    means, medians = [], []
    for _ in range(MANY):
        changes = rng.normal(0.4, 1.5, int(rng.integers(8, 60)))
        means.append(held(mean_change(changes, unit="degrees"), 0.4))
        medians.append(held(median_change(changes, unit="degrees"), 0.4))
    assert ledger.coverage("mean change, Student", means).holds
    assert ledger.coverage("median change, order statistics", medians, at_least=True).holds


def test_groups_given_the_start(ledger: Ledger) -> None:
    rng = np.random.default_rng(104)
    hits = []
    for _ in range(SOME):
        n = 120
        group = rng.random(n) < 0.4
        before = rng.normal(33.0, 5.0, n) + 2.0 * group
        after = 2.0 + 0.95 * before + 0.7 * group + rng.normal(0.0, 1.0 + 0.5 * group, n)
        frame = pl.DataFrame({"b": before, "a": after, "g": np.where(group, "x", "y")})
        (found,) = ancova(frame, before="b", after="a", group="g", reference="y").differences
        hits.append(held(found, 0.7))
    assert ledger.coverage("change given the start, covariance analysis (HC3)", hits).holds


def test_a_trend_over_groups(ledger: Ledger) -> None:
    rng = np.random.default_rng(105)
    shares = 0.12 + 0.04 * np.arange(5)
    hits = []
    for _ in range(MANY):
        totals = rng.integers(40, 120, 5)
        found = cochran_armitage(rng.binomial(totals, shares).tolist(), totals.tolist())
        hits.append(held(found.slope, 0.04))
    assert ledger.coverage("trend over ordered groups", hits).holds


def test_a_curve_over_age(ledger: Ledger) -> None:
    rng = np.random.default_rng(106)
    at = (9.0, 11.5, 14.0)
    hits, slopes = [], []
    for _ in range(SOME):
        age = rng.uniform(7.0, 16.0, 400)
        adverse = rng.random(400) < expit(-1.2 + 0.12 * (age - 11.5))
        curve = age_curve(age, adverse.astype(float), at=at)
        truth = expit(-1.2 + 0.12 * (np.array(at) - 11.5))
        place = int(rng.integers(0, 3))
        hits.append(curve.low[place] <= truth[place] <= curve.high[place])
        slopes.append(held(curve.slope, float(np.exp(0.12))))
    assert ledger.coverage("share at one age, spline", hits).holds
    assert ledger.coverage("odds ratio per year of age", slopes).holds


POOLED = {
    "share, partially pooled, 10 groups": ((4.0, 20.0), 10, False),
    "share, partially pooled, 10 groups nearly alike": ((40.0, 200.0), 10, True),
    "share, partially pooled, 4 groups far apart": ((1.5, 6.0), 4, False),
}


@pytest.mark.parametrize("name", POOLED)
def test_pooled_shares_of_groups(name: str, ledger: Ledger) -> None:
    """Over the groups of many cohorts; where groups are alike the interval may be too careful, never too bold."""
    common, groups, at_least = POOLED[name]
    rng = np.random.default_rng(107)
    hits = []
    for _ in range(SOME):
        n = rng.integers(8, 80, groups)
        p = rng.beta(*common, groups)
        found = partial_pooling([str(i) for i in range(groups)], rng.binomial(n, p).tolist(), n.tolist())
        hits.append(float(np.mean([held(rate.pooled, truth) for rate, truth in zip(found.rates, p, strict=True)])))
    assert ledger.coverage(name, hits, at_least=at_least).holds


def test_a_course_over_months(ledger: Ledger) -> None:
    rng = np.random.default_rng(108)
    hits = []
    for _ in range(FEW):
        n = 60
        months = np.tile([0.0, 12.0, 24.0], n)
        own = np.repeat(rng.normal(0.0, 5.0, n), 3) + np.repeat(rng.normal(0.0, 0.04, n), 3) * months
        value = 33.0 + own - 0.02 * months + rng.normal(0.0, 0.6, 3 * n)
        frame = pl.DataFrame({"v": value, "t": months, "c": np.repeat(np.arange(n), 3)})
        model = mixed_model(frame, value="v", time="t", case="c")
        hits.append(held(model.slopes[0], -0.02))
    assert ledger.coverage("rate of change, mixed model", hits).holds


def test_a_wrong_interval_would_be_caught() -> None:
    """Wald's interval of a small share does not pass the same check."""
    rng = np.random.default_rng(109)
    hits = []
    for _ in range(MANY):
        p, n = rng.uniform(0.02, 0.1), int(rng.integers(20, 60))
        share = rng.binomial(n, p) / n
        half = 1.96 * np.sqrt(share * (1 - share) / n)
        hits.append(bool(share - half <= p <= share + half))
    assert not Ledger().coverage("Wald", hits).holds
