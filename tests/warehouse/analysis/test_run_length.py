"""Run lengths: closed forms, simulation, and the limit that gives a stated false-alarm run length."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from warehouse.analysis import run_length
from warehouse.analysis.drift import llr_weights
from warehouse.analysis.run_length import (
    chance_of_signal,
    expected_run_length,
    limit_for_run_length,
    simulate_run_length,
)
from warehouse.errors import RequestError


@pytest.mark.parametrize("top", [1, 3, 7, 12])
@pytest.mark.parametrize("share", [0.4, 0.6])
def test_equal_steps_follow_the_reflected_random_walk(top: int, share: float) -> None:
    """With p1 = 1 - p0 both weights are equal; the mean time of a walk held at zero to reach H is
    ``H/(p - q) - q/(p - q)**2 (1 - (q/p)**H)`` (Feller, vol. I, ch. XIV; from memory, checked by recursion).
    """
    step, _ = llr_weights(0.4, 0.6)
    p, q = share, 1 - share
    closed = top / (p - q) - q / (p - q) ** 2 * (1 - (q / p) ** top)
    assert expected_run_length(step, -step, limit=top * step - 1e-6, share=share) == pytest.approx(closed, rel=1e-9)


def test_a_limit_below_one_adverse_case_waits_for_the_first() -> None:
    adverse, other = llr_weights(0.1, 0.2)
    assert expected_run_length(adverse, other, limit=adverse / 2, share=0.07) == pytest.approx(1 / 0.07)
    assert chance_of_signal(adverse, other, limit=adverse / 2, share=0.07, cases=30) == pytest.approx(1 - 0.93**30)


@pytest.mark.parametrize(("p0", "p1"), [(0.1, 0.2), (0.02, 0.06), (0.3, 0.15)])
def test_markov_chain_agrees_with_simulation(p0: float, p1: float) -> None:
    adverse, other = llr_weights(p0, p1)
    for seed, share in enumerate((p0, p1)):
        exact = expected_run_length(adverse, other, limit=2.2, share=share)
        drawn = simulate_run_length(
            adverse, other, limit=2.2, share=share, rng=np.random.default_rng(seed), repeats=3000
        )
        half = (drawn.interval.high - drawn.interval.low) / 2
        assert exact == pytest.approx(drawn.mean, abs=1.5 * half)
        assert drawn.median < drawn.mean
        assert drawn.repeats == 3000


def test_limit_gives_the_run_length_asked_for_and_is_the_smallest_that_does() -> None:
    adverse, other = llr_weights(0.05, 0.1)
    limit = limit_for_run_length(adverse, other, share=0.05, run_length=1000)
    reached = expected_run_length(adverse, other, limit=limit, share=0.05)
    assert reached >= 1000
    assert expected_run_length(adverse, other, limit=limit - 0.01, share=0.05) < 1000
    drawn = simulate_run_length(adverse, other, limit=limit, share=0.05, rng=np.random.default_rng(3), repeats=2000)
    assert drawn.mean == pytest.approx(reached, rel=0.08)


def test_chance_of_a_signal_grows_with_cases_and_matches_the_mean() -> None:
    adverse, other = llr_weights(0.2, 0.4)
    chances = [chance_of_signal(adverse, other, limit=1.5, share=0.5, cases=n) for n in range(250)]
    assert chances[0] == pytest.approx(0, abs=1e-12)
    assert all(b >= a - 1e-12 for a, b in itertools.pairwise(chances))
    mean = sum(1 - chance for chance in chances)  # E[N] = sum P(N > n)
    assert mean == pytest.approx(expected_run_length(adverse, other, limit=1.5, share=0.5), rel=1e-6)


def test_what_cannot_run_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(RequestError, match="same way"):
        expected_run_length(0.5, 0.1, limit=2, share=0.1)
    with pytest.raises(RequestError, match="false-alarm run length of 0"):
        limit_for_run_length(0.5, -0.1, share=0.1, run_length=0)
    monkeypatch.setattr(run_length, "_MOST_STEPS", 5)
    with pytest.raises(RequestError, match="gave no signal"):
        simulate_run_length(0.1, -1.0, limit=9, share=0.01, rng=np.random.default_rng(0), repeats=4)
