"""Counts that are known only within limits, and what is worked out from them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

_ROUNDS = 200
_SETTLED = 1e-12


@dataclass(frozen=True, slots=True)
class Range:
    """A count that lies from ``low`` to ``high``, both included."""

    low: int
    high: int

    @property
    def is_exact(self) -> bool:
        """Whether the count is known."""
        return self.low == self.high

    @property
    def middle(self) -> float:
        """Halfway between the ends."""
        return (self.low + self.high) / 2

    @property
    def words(self) -> str:
        """As shown: "12", or "1 to 4"."""
        return f"{self.low:,}" if self.is_exact else f"{self.low:,} to {self.high:,}"

    def within(self, other: Range) -> Range:
        """What is left of it within another; the nearest end of the other where they do not meet."""
        low, high = max(self.low, other.low), min(self.high, other.high)
        return Range(low, high) if low <= high else Range(other.low, other.low)

    def __add__(self, other: Range) -> Range:
        return Range(self.low + other.low, self.high + other.high)


NONE = Range(0, 0)


def exactly(count: int) -> Range:
    """A count that is known."""
    return Range(count, count)


def total(parts: Iterable[Range]) -> Range:
    """The sum of counts."""
    found = NONE
    for part in parts:
        found += part
    return found


def tightened(parts: Mapping[str, Range], whole: Range) -> dict[str, Range]:
    """Parts of a whole, each narrowed by what the others leave of it."""
    found = dict(parts)
    for _ in range(2):
        low, high = sum(one.low for one in found.values()), sum(one.high for one in found.values())
        found = {
            name: one.within(Range(max(0, whole.low - (high - one.high)), max(0, whole.high - (low - one.low))))
            for name, one in found.items()
        }
    return found


@dataclass(frozen=True, slots=True)
class Filled:
    """Counts with hidden ones put at what is expected of them; whole only where they were known."""

    adverse: tuple[float, ...]  # Adverse cases, one a row; fractions where hidden
    counted: tuple[int, ...]  # Cases counted; the middle of the range where hidden
    share: float | None  # The common share behind the expectation, or None where nothing is counted


def filled(adverse: Sequence[Range], counted: Sequence[Range]) -> Filled:
    """Put hidden counts at their expectation under one common share.

    ``E(X | low <= X <= high)`` for ``X ~ Binomial(n, p)``, with ``p`` the share that results when they are filled in
    so: the maximum likelihood estimate of a common share from counts known within limits (Dempster, Laird & Rubin 1977,
    J R Stat Soc B 39:1, the EM algorithm; from memory). ``n`` is the middle of its range. Nothing but what is published
    goes in, so nothing more can be told from what comes out.
    """
    whole = tuple(round(one.middle) for one in counted)
    n = np.array(whole, dtype=np.float64)
    if n.sum() == 0:
        return Filled(tuple(0.0 for _ in adverse), whole, None)
    x = np.minimum(np.array([one.middle for one in adverse], dtype=np.float64), n)
    hidden = [i for i, one in enumerate(adverse) if not one.is_exact and n[i] > 0]
    share = float(x.sum() / n.sum())
    for _ in range(_ROUNDS if hidden else 0):
        for i in hidden:
            x[i] = _expected(adverse[i], float(n[i]), share)
        before, share = share, float(x.sum() / n.sum())
        if abs(share - before) < _SETTLED:
            break
    return Filled(tuple(x.tolist()), whole, share)


def _expected(known: Range, n: float, share: float) -> float:
    """Mean of a binomial count given that it lies in a range."""
    top = min(known.high, math.floor(n))
    if top <= known.low or not 0 < share < 1:
        return float(min(known.low, n))
    counts = np.arange(known.low, top + 1, dtype=np.float64)
    logs = counts * math.log(share) + (n - counts) * math.log1p(-share)
    logs -= np.array([math.lgamma(c + 1) + math.lgamma(n - c + 1) for c in counts.tolist()])
    mass = np.exp(logs - logs.max())
    return float(np.sum(mass * counts) / np.sum(mass))
