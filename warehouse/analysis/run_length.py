"""How many cases a Bernoulli CUSUM runs before it signals: exactly on a lattice, and by simulation.

The sum moves up by one weight and down by the other. The ratio of the weights is replaced by the nearest fraction
``up : down`` of small whole numbers, so that the sum lives on a lattice and the run length is that of a Markov
chain with one state a lattice point (Brook & Evans 1972; for Bernoulli data Reynolds & Stoumbos 1999; both from
memory). Nothing else is rounded, and simulation with the weights themselves is the cross-check.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np

from warehouse.errors import RequestError
from warehouse.results import Interval

if TYPE_CHECKING:
    from numpy.random import Generator
    from scipy.sparse import csr_array

_FINEST = 60  # largest denominator of the fraction that stands for the ratio of the weights
_COARSE = 12  # the same over several shares: what they leave open is far more than the ratio is then off
_LONGEST = 1e7  # no practice sees this many cases; a longer run length is refused
_MOST_STEPS = 2_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedRunLength:
    """Run lengths drawn by chance."""

    mean: float  # Average cases until a signal
    interval: Interval  # 95% Monte-Carlo interval of the mean
    median: float  # Middle run length; well below the mean, since run lengths are very skewed
    repeats: int  # Runs drawn


@dataclass(frozen=True, slots=True)
class _Lattice:
    """Whole-number steps of the chain: ``up`` with probability ``chance``, else ``down``; signal at ``top``."""

    up: int
    down: int
    top: int
    chance: float


def expected_run_length(weight_adverse: float, weight_other: float, *, limit: float, share: float) -> float:
    """Average number of cases until the sum, started at zero, reaches ``limit``.

    ``weight_other``: what any other case adds; of the opposite sign. ``limit``: the limit, > 0. ``share``: true share
    adverse, strictly between 0 and 1.
    """
    up, down, unit = _fraction(weight_adverse, weight_other)
    chance = share if weight_adverse > 0 else 1 - share
    return _mean_steps(_Lattice(up, down, _top(limit, unit), chance))


def limit_for_run_length(weight_adverse: float, weight_other: float, *, share: float, run_length: float) -> float:
    """The smallest limit whose average run length at ``share`` is at least ``run_length``.

    It is set half a lattice step below the lattice point, where the last decimal of a sum cannot matter.
    """
    if not 1 <= run_length <= _LONGEST:
        found = f"A false-alarm run length of {run_length:g} cases."
        raise RequestError(found, expected=f"between 1 and {_LONGEST:g}", remedy="state another length")
    up, down, unit = _fraction(weight_adverse, weight_other)
    chance = share if weight_adverse > 0 else 1 - share
    low, high = 0, up
    while _mean_steps(_Lattice(up, down, high, chance)) < run_length:
        low, high = high, 2 * high

    def is_long(steps: int) -> bool:
        return _mean_steps(_Lattice(up, down, steps, chance)) >= run_length

    return (bisect_left(range(high), x=True, lo=low + 1, key=is_long) - 0.5) * unit


def chance_of_signal(
    weight_adverse: float,
    weight_other: float,
    *,
    limit: float,
    share: float | Sequence[float],
    cases: int,
    enough: float = math.inf,
) -> float:
    """Probability of a signal within ``cases`` cases, over shares as likely; once above ``enough`` it may be less."""
    shares = np.atleast_1d(np.asarray(share, dtype=np.float64))[:, None]
    up, down, unit = _fraction(weight_adverse, weight_other, _FINEST if shares.size == 1 else _COARSE)
    chance = shares if weight_adverse > 0 else 1 - shares
    at = np.zeros((shares.size, _top(limit, unit)))
    moved, fallen = np.zeros_like(at), np.zeros_like(at)
    at[:, 0] = 1.0
    for case in range(cases):
        moved[:, :up] = 0.0
        np.multiply(chance, at[:, :-up], out=moved[:, up:])
        np.multiply(1 - chance, at, out=fallen)
        moved[:, : max(0, at.shape[1] - down)] += fallen[:, down:]
        moved[:, :1] += (1 - chance) * at[:, :down].sum(axis=1, keepdims=True)
        at, moved = moved, at
        if case % 50 == 0 and 1 - float(np.mean(at.sum(axis=1))) > enough:
            break
    return 1 - float(np.mean(at.sum(axis=1)))


def limit_for_chance(
    weight_adverse: float,
    weight_other: float,
    *,
    shares: Sequence[float],
    cases: int,
    chance: float,
    least: float,
    most: float,
) -> float:
    """The smallest limit from ``least`` on at which a signal within ``cases`` cases is no likelier than ``chance``.

    No larger than ``most``, beyond which the chart would see nothing.
    """

    def is_rare(steps: int) -> bool:
        limit = least + steps * unit
        found = chance_of_signal(weight_adverse, weight_other, limit=limit, share=shares, cases=cases, enough=chance)
        return found <= chance

    _, _, unit = _fraction(weight_adverse, weight_other, _FINEST if len(shares) == 1 else _COARSE)
    return least + bisect_left(range(max(0, math.ceil((most - least) / unit))), x=True, key=is_rare) * unit


def simulate_run_length(
    weight_adverse: float, weight_other: float, *, limit: float, share: float, rng: Generator, repeats: int = 2000
) -> SimulatedRunLength:
    """Run lengths with the weights themselves, ``repeats`` times from zero.

    ``repeats``: runs to draw, >= 2.
    """
    lengths = np.zeros(repeats)
    running = np.arange(repeats)
    value = np.zeros(repeats)
    for step in range(1, _MOST_STEPS):
        adverse = rng.random(running.size) < share
        value = np.maximum(0.0, value + np.where(adverse, weight_adverse, weight_other))
        stopped = value >= limit
        lengths[running[stopped]] = step
        running, value = running[~stopped], value[~stopped]
        if running.size == 0:
            break
    else:
        found = f"{running.size} of {repeats} simulated charts gave no signal in {_MOST_STEPS} cases."
        raise RequestError(found, expected="a chart that signals in the end", remedy="state a smaller limit")
    mean, error = float(np.mean(lengths)), float(np.std(lengths, ddof=1)) / math.sqrt(repeats)
    half = 1.959964 * error
    return SimulatedRunLength(
        mean=mean, interval=Interval(mean - half, mean + half), median=float(np.median(lengths)), repeats=repeats
    )


def _fraction(weight_adverse: float, weight_other: float, finest: int = _FINEST) -> tuple[int, int, float]:
    """Whole-number steps up and down, and the size of one lattice step in units of the sum."""
    if weight_adverse * weight_other >= 0:
        found = "Both outcomes move the sum the same way, or one does not move it."
        raise RequestError(found, expected="weights of opposite sign", remedy="state two different shares")
    rise, fall = max(weight_adverse, weight_other), -min(weight_adverse, weight_other)
    if rise >= fall:
        ratio = Fraction(rise / fall).limit_denominator(finest)
        return ratio.numerator, ratio.denominator, fall / ratio.denominator
    ratio = Fraction(fall / rise).limit_denominator(finest)
    return ratio.denominator, ratio.numerator, rise / ratio.denominator


def _top(limit: float, unit: float) -> int:
    return max(1, math.ceil(limit / unit - 1e-9))


def _moves(lattice: _Lattice) -> csr_array[np.float64]:
    """Probabilities of moving between the ``top`` states below the limit; what is missing to 1 is the signal."""
    from scipy.sparse import csr_array

    states = np.arange(lattice.top)
    rise = states[states + lattice.up < lattice.top]
    rows = np.concatenate([states, rise])
    columns = np.concatenate([np.maximum(0, states - lattice.down), rise + lattice.up])
    chances = np.concatenate([np.full(lattice.top, 1 - lattice.chance), np.full(rise.size, lattice.chance)])
    return csr_array((chances, (rows, columns)), shape=(lattice.top, lattice.top))


def _mean_steps(lattice: _Lattice) -> float:
    """Mean steps to the top from zero: solve ``m = 1 + Q m`` over the ``top`` states below it."""
    from scipy.sparse import eye_array
    from scipy.sparse.linalg import spsolve

    left = (eye_array(lattice.top) - _moves(lattice)).tocsc()
    return float(np.atleast_1d(spsolve(left, np.ones(lattice.top)))[0])
