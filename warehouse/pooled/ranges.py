"""Counts that are known only within limits, and what is worked out from them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from warehouse.analysis.meta_effects import ratio_effects
from warehouse.results import Interval

_ROUNDS = 200
_SETTLED = 1e-12
_MOST_WAYS, _STEPS, _REACH, _ROUNDS_OF_ENDS = 1_000, 40, 1e3, 3


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


def ratio_within(groups: Sequence[Sequence[Range]], *, fewest: int, level: float) -> tuple[Interval, Interval] | None:
    """Limits of ``pool(ratio_effects(...))``, and of its interval, at whatever counts lie in the ranges.

    ``groups``: Adverse and counted cases of the one group and of the other, a practice a row. None where fewer than
    ``fewest`` practices have a ratio whatever their counts, or where those of one can be too much. The limits come from
    the ranges alone. They may be wider than need be and are never too narrow:

    ``tau2`` goes from 0 to infinity in steps. In a step each practice has whichever of its counts, and whichever weight
    between those at the step's ends, makes the weighted mean least (Dinkelbach 1967, Management Sci 13:492, from
    memory). Steps in which the restricted likelihood only falls, or only rises, hold no estimate and are left out. The
    interval's end ``mean - q sqrt(s)``, with ``s`` the weighted square from the mean, is no less than the weighted mean
    of ``y - q / 2 ((y - m)**2 / c + c)``, whatever ``m`` and ``c > 0``; so that is made least likewise.
    """
    from scipy.special import stdtrit

    made, is_sure = [], []
    for one in groups:
        if math.prod(count.high - count.low + 1 for count in one) > _MOST_WAYS:
            return None
        ways = product(*(range(count.low, count.high + 1) for count in one))
        possible = [way for way in ways if way[0] <= way[1] and way[2] <= way[3]]
        effects = ratio_effects(*zip(*possible, strict=True)) if possible else None
        if effects is not None and effects.practices:
            made.append(effects)
            is_sure.append(len(effects.practices) == len(possible))
    if (k := sum(is_sure)) < max(2, fewest):
        return None
    most = max(len(one.practices) for one in made)
    y, v = (
        np.array([np.pad(values, (0, most - values.size), "edge") for values in each])
        for each in ([one.y for one in made], [one.v for one in made])
    )
    unit = float(np.median(v))
    tau2 = np.concatenate([[0.0], np.geomspace(unit / _REACH, unit * _REACH, _STEPS)])[:, None, None]
    weights = np.concatenate([(tau2 + unit) / (tau2 + v), np.ones((1, *v.shape))])  # times what all have in common
    light = np.minimum(weights[:-1], weights[1:]) * np.array(is_sure)[:, None]
    heavy = np.maximum(weights[:-1], weights[1:])
    low, high = (sign * _lowest(sign * y, y, light, heavy)[0][:, None, None] for sign in (1, -1))
    far = np.maximum(y - low, high - y)
    near = np.maximum(0.0, np.maximum(y - high, low - y))
    scale = np.append(tau2.ravel() + unit, math.inf)
    falls = np.sum(np.max((heavy * far) ** 2, axis=2), axis=1) < scale[:-1] * _in_pairs(light.min(axis=2))
    rises = np.sum(np.min((light * near) ** 2, axis=2), axis=1) > scale[1:] * _in_pairs(heavy.max(axis=2))
    is_open = ~(falls | rises) | (scale[:-1] == unit)
    light, heavy = light[is_open], heavy[is_open]
    q = float(stdtrit(k - 1, 0.5 + level / 2)) / math.sqrt(k - 1)
    ends = []
    for sign in (1, -1):
        least, m, square = _lowest(sign * y, sign * y, light, heavy)
        end = np.full_like(least, -math.inf)
        for _ in range(_ROUNDS_OF_ENDS):
            c = np.sqrt(np.maximum(square, _SETTLED))[:, None, None]
            bent = sign * y - q / 2 * ((sign * y - m[:, None, None]) ** 2 / c + c)
            found, m, square = _lowest(bent, sign * y, light, heavy)
            end = np.maximum(end, found)
        ends.append((sign * float(least.min()), sign * float(end.min())))
    value, interval = (Interval(math.exp(low), math.exp(high), level) for low, high in zip(*ends, strict=True))
    return value, interval


def _in_pairs(w: NDArray[np.float64]) -> NDArray[np.float64]:
    """``sum w - sum w**2 / sum w``, which rises with every weight; shape ``(s,)`` from ``(s, k)``."""
    whole = np.sum(w, axis=1)
    pairs: NDArray[np.float64] = whole - np.sum(w**2, axis=1) / whole
    return pairs


def _lowest(
    value: NDArray[np.float64], y: NDArray[np.float64], light: NDArray[np.float64], heavy: NDArray[np.float64]
) -> tuple[NDArray[np.float64], ...]:
    """The least weighted mean of ``value``, and the mean and square of the ``y`` that give it, each ``(s,)``.

    One of its values a practice, ``(k, ways)`` or ``(s, k, ways)``, with a weight from ``light`` to ``heavy``,
    ``(s, k, ways)``.
    """
    value, y = np.broadcast_to(value, light.shape), np.broadcast_to(y, light.shape)
    least = value.max(axis=(1, 2))
    while True:
        over = value - least[:, None, None]
        weight = np.where(over < 0, heavy, light)
        best = np.argmin(weight * over, axis=2)[:, :, None]
        w, x, f = (np.take_along_axis(one, best, axis=2)[:, :, 0] for one in (weight, y, value))
        whole = w.sum(axis=1)
        before, least = least, np.minimum(least, np.sum(w * f, axis=1) / whole)
        if np.all(before - least <= _SETTLED):
            mean = np.sum(w * x, axis=1) / whole
            return least, mean, np.sum(w * (x - mean[:, None]) ** 2, axis=1) / whole
