"""The binomial-normal model against Stijnen, Hamza & Ozdemir 2010 and against plain numerical integration."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import binom, norm

from warehouse.analysis import meta_glmm
from warehouse.analysis.meta import back
from warehouse.analysis.meta_glmm import binomial_normal, read_counts
from warehouse.errors import RequestError
from warehouse.words.sentences import caution_text

# The 18 trials of Niel-Weise 2007 as in Stijnen 2010, Table I
CONTROL = [3, 3, 9, 7, 6, 4, 3, 2, 19, 2, 7, 1, 5, 11, 0, 1, 3, 1]
CONTROL_N = [117, 35, 195, 136, 157, 139, 177, 39, 103, 122, 64, 58, 175, 180, 105, 262, 362, 69]
TREATED = [0, 1, 2, 0, 5, 1, 1, 1, 1, 1, 0, 0, 3, 6, 0, 0, 1, 4]
TREATED_N = [116, 44, 208, 130, 151, 98, 174, 74, 97, 113, 66, 70, 188, 187, 118, 252, 345, 64]


@pytest.mark.parametrize(
    ("events", "totals", "mu", "se", "tau2", "share", "low", "high"),
    [
        (CONTROL, CONTROL_N, -3.4964, 0.2570, 0.8124, 0.0294, 0.0180, 0.0478),
        (TREATED, TREATED_N, -4.8121, 0.3555, 0.8265, 0.0081, 0.0040, 0.0161),
    ],
)
def test_published_binomial_normal_figures(
    events: list[int],
    totals: list[int],
    mu: float,
    se: float,
    tau2: float,
    share: float,
    low: float,
    high: float,
) -> None:
    """Stijnen 2010 Table II; four digits as checked in metafor's own tests, which use 7 nodes a trial.

    That rule is off by up to 2e-3 in tau2 (25 and 60 nodes agree to nine digits here), hence the tolerances.
    """
    found = binomial_normal(events, totals)
    assert found.estimate.value == pytest.approx(mu, abs=5e-4)
    assert found.se == pytest.approx(se, abs=5e-4)
    assert found.tau2 == pytest.approx(tau2, abs=2e-3)
    assert found.share.value == pytest.approx(share, abs=5e-5)
    wald = [back(found.estimate.value + side * 1.959964 * found.se, "logit") for side in (-1, 1)]
    assert wald == pytest.approx([low, high], abs=1e-4)


def test_more_nodes_change_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    few = binomial_normal(CONTROL, CONTROL_N)
    monkeypatch.setattr(meta_glmm, "_NODES", 60)
    many = binomial_normal(CONTROL, CONTROL_N)
    assert "60 nodes" in many.estimate.method
    assert few.estimate.value == pytest.approx(many.estimate.value, abs=1e-6)
    assert few.tau2 == pytest.approx(many.tau2, abs=1e-6)


def test_likelihood_equals_plain_numerical_integration() -> None:
    found = binomial_normal(TREATED, TREATED_N)
    mu, tau = found.estimate.value, math.sqrt(found.tau2)

    def one(x: int, n: int) -> float:
        def height(u: float) -> float:
            return float(binom.pmf(x, n, 1 / (1 + math.exp(-(mu + tau * u)))) * norm.pdf(u))

        return math.log(quad(height, -12, 12, limit=400, epsabs=1e-14)[0])

    by_hand = sum(one(x, n) for x, n in zip(TREATED, TREATED_N, strict=True))
    assert read_counts(TREATED, TREATED_N, 25).log_likelihood(mu, tau) == pytest.approx(by_hand, abs=1e-7)


def test_intervals_are_those_of_a_plain_grid_over_middle_and_spread() -> None:
    """Every tau up to 3 and every mu as likely beforehand: summed on a grid, with the binomial law of SciPy."""
    events, totals = [3, 1, 6, 2, 8], [40, 25, 50, 30, 45]
    found = binomial_normal(events, totals)
    nodes, weights = np.polynomial.hermite_e.hermegauss(80)
    mus, taus = np.linspace(-7, 3, 401), np.linspace(0, 3, 121)
    at = 1 / (1 + np.exp(-(mus[:, None, None] + taus[None, :, None] * nodes)))
    each = [binom.pmf(x, n, at) @ (weights / weights.sum()) for x, n in zip(events, totals, strict=True)]
    mass = np.prod(each, axis=0)
    mass[:, [0, -1]] /= 2
    mass /= mass.sum()
    below = np.cumsum(mass.sum(axis=1))
    ends = [float(np.interp(part, below, mus)) for part in (0.025, 0.975)]
    assert [found.estimate.interval.low, found.estimate.interval.high] == pytest.approx(ends, abs=0.06)
    ahead = np.sum(
        mass[:, :, None] * norm.cdf((mus - mus[:, None, None]) / np.maximum(taus[:, None], 1e-9)), axis=(0, 1)
    )
    ends = [1 / (1 + math.exp(-float(np.interp(part, ahead, mus)))) for part in (0.025, 0.975)]
    assert [found.prediction.low, found.prediction.high] == pytest.approx(ends, abs=0.02)


def test_no_spread_gives_the_pooled_share_and_its_textbook_error() -> None:
    found = binomial_normal([5, 10, 20], [50, 100, 200])
    assert found.tau2 == 0
    assert found.share.value == pytest.approx(0.1, abs=1e-9)
    assert found.se == pytest.approx(1 / math.sqrt(350 * 0.1 * 0.9), rel=1e-6)


def test_planted_share_and_spread_are_recovered() -> None:
    rng = np.random.default_rng(20240607)
    logits = -1.5 + 0.6 * rng.standard_normal(400)
    totals = np.full(400, 60)
    events = rng.binomial(totals, 1 / (1 + np.exp(-logits)))
    found = binomial_normal(events.tolist(), totals.tolist())
    assert found.estimate.value == pytest.approx(-1.5, abs=4 * found.se)
    assert math.sqrt(found.tau2) == pytest.approx(0.6, abs=0.1)


@pytest.mark.parametrize(
    ("events", "totals", "words"),
    [([0, 0], [10, 12], "No case with the outcome among 22"), ([3, 4], [3, 4], "All 7 cases"), ([], [], "No case was")],
)
def test_what_the_counts_cannot_give_is_said(events: list[int], totals: list[int], words: str) -> None:
    found = binomial_normal(events, totals)
    assert found.estimate.value is None
    assert found.share.value is None
    assert found.tau2 is None
    assert words in caution_text(found.estimate.warnings[0])


def test_empty_practices_are_left_out_and_counted() -> None:
    found = binomial_normal([3, 0, 4], [30, 0, 25])
    assert found.estimate.left_out == {"no case assessed": 1}
    assert found.estimate.n == 55
    assert any("how far practices differ" in caution_text(caution) for caution in found.estimate.warnings)


def test_very_few_counts_give_a_very_wide_interval() -> None:
    found = binomial_normal([1, 3], [2, 3], level=0.999)
    assert found.share.interval.low < 0.01
    assert found.share.interval.high > 0.99
    assert found.prediction.high - found.prediction.low > 0.999


def test_bad_counts_are_refused() -> None:
    with pytest.raises(RequestError, match="above their total"):
        binomial_normal([5], [4])
