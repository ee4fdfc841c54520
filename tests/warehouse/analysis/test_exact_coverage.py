"""How often intervals hold the truth, by adding up the chance of every possible outcome (no simulation)."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom

from warehouse.analysis.difference import risk_difference
from warehouse.analysis.proportion import proportion
from warehouse.analysis.ratio import risk_ratio

SHARES = np.linspace(0.005, 0.995, 199)


def coverage_of_a_share(method: str, n: int) -> np.ndarray:
    """Chance at each true share that the 95% interval holds it."""
    intervals = [proportion(x, n, method=method).interval for x in range(n + 1)]
    holds = np.array([[i.low <= p <= i.high for i in intervals] for p in SHARES])
    return (holds * binom.pmf(np.arange(n + 1), n, SHARES[:, None])).sum(axis=1)


@pytest.mark.parametrize("n", [10, 25, 60])
def test_clopper_pearson_never_falls_short(n: int) -> None:
    assert coverage_of_a_share("clopper_pearson", n).min() >= 0.95 - 1e-9


@pytest.mark.parametrize("method", ["wilson", "mid_p", "jeffreys"])
@pytest.mark.parametrize("n", [10, 25, 60])
def test_shorter_intervals_are_right_on_average(method: str, n: int) -> None:
    # Newcombe 1998, table II: mean coverage of these three lies within about one point of 95%
    assert coverage_of_a_share(method, n).mean() == pytest.approx(0.955, abs=0.016)


def test_corrected_wilson_never_falls_far_short() -> None:
    assert coverage_of_a_share("wilson_corrected", 25).min() > 0.945


TRUTHS = [(0.1, 0.1), (0.3, 0.1), (0.5, 0.2), (0.6, 0.6), (0.85, 0.4), (0.2, 0.05)]


def coverage_of_a_pair(
    intervals: dict[tuple[int, int], tuple[float, float]], truth: float, p1: float, p2: float
) -> float:
    """Chance that the interval of a pair of groups of 15 and 18 holds ``truth``."""
    return sum(
        float(binom.pmf(x1, 15, p1) * binom.pmf(x2, 18, p2))
        for (x1, x2), (low, high) in intervals.items()
        if low - 1e-9 <= truth <= high + 1e-9
    )


def test_the_interval_of_a_difference_is_right_on_average() -> None:
    # Newcombe 1998, Stat Med 17:873: mean coverage of such methods is near or above 95%; single truths may fall short
    intervals = {
        (a, c): (found.low, found.high)
        for a in range(16)
        for c in range(19)
        if (found := risk_difference(a, 15, c, 18).interval) is not None
    }
    covered = [coverage_of_a_pair(intervals, p1 - p2, p1, p2) for p1, p2 in TRUTHS]
    assert 0.945 < np.mean(covered) < 0.985
    assert min(covered) > 0.92


def test_score_interval_of_a_ratio() -> None:
    # tables without any adverse case have no interval: they say so, and cover nothing
    intervals = {
        (a, c): (found.low, found.high)
        for a in range(16)
        for c in range(19)
        if (found := risk_ratio(a, 15, c, 18).interval) is not None
    }
    covered = [coverage_of_a_pair(intervals, p1 / p2, p1, p2) for p1, p2 in TRUTHS[1:5]]
    assert min(covered) > 0.935
