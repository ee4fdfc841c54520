"""One effect and its variance per practice: what a pooled analysis starts from.

Each builder takes counts (or means) by practice and gives a log odds, a log ratio or a mean with its sampling
variance. A practice that carries no information is left out under a stated reason, never silently. Shares are
taken to the logit, not to the double arcsine, whose back-transformation depends on one invented sample size
(Schwarzer, Chemaitelly, Abu-Raddad & Rücker 2019, Research Synthesis Methods 10:476; from memory).
"""

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from warehouse.errors import RequestError
from warehouse.plural import number_of

Scale = Literal["logit", "log risk ratio", "mean"]
_CORRECTION = 0.5  # added to each cell of a practice with a zero cell


@dataclass(frozen=True, slots=True)
class PracticeEffect:
    """One practice: its effect ``y``, the sampling variance ``v`` of it, and the cases ``n`` behind it."""

    label: str
    y: float
    v: float
    n: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Effects:
    """The effects of a group of practices on one scale."""

    scale: Scale  # The scale of `y`; it decides how a pooled value is taken back
    practices: tuple[PracticeEffect, ...]  # The practices used, in the order given
    left_out: Mapping[str, int]  # Reason -> number of practices not used
    corrected: int = 0  # Number of practices whose counts were raised because a cell was zero
    correction: float = 0.0  # What was added to each cell of those practices

    @property
    def y(self) -> NDArray[np.float64]:
        """The effects, shape ``(k,)``."""
        return np.array([practice.y for practice in self.practices], dtype=np.float64)

    @property
    def v(self) -> NDArray[np.float64]:
        """The sampling variances, shape ``(k,)``."""
        return np.array([practice.v for practice in self.practices], dtype=np.float64)

    @property
    def n(self) -> int:
        """Cases behind all practices used."""
        return sum(practice.n for practice in self.practices)


def logit_effects(events: Sequence[float], totals: Sequence[int], *, labels: Sequence[str] | None = None) -> Effects:
    """Log odds of the outcome in each practice.

    ``y = ln(x / (n - x))``, ``v = 1/x + 1/(n - x)``. Where ``x`` is 0 or ``n``, and only there, one half
    is added to both counts first. With many such practices this biases the pooled share towards one half: use
    ``binomial_normal``, which needs no correction.

    ``events``: cases with the outcome, shape ``(k,)``; need not be whole where they are expectations. ``totals``: cases
    assessed, shape ``(k,)``; a practice with none is left out. ``labels``: names of the practices; numbered when not
    given.
    """
    names = _labels(labels, events, totals)
    _check_counts(events, totals)
    used: list[PracticeEffect] = []
    left_out: Counter[str] = Counter()
    corrected = 0
    for name, x, n in zip(names, events, totals, strict=True):
        if n == 0:
            left_out["no case assessed"] += 1
            continue
        add = _CORRECTION if x in {0, n} else 0.0
        corrected += add > 0
        yes, no = x + add, n - x + add
        used.append(PracticeEffect(name, math.log(yes / no), 1 / yes + 1 / no, n))
    return _effects("logit", used, left_out, corrected)


def ratio_effects(
    events_first: Sequence[float],
    totals_first: Sequence[int],
    events_second: Sequence[float],
    totals_second: Sequence[int],
) -> Effects:
    """Log risk ratio, first group over second, in each practice.

    With cells a, b (first: with, without the outcome) and c, d (second):
    ``ln RR = ln(a/n1) - ln(c/n2)``, ``v = 1/a - 1/n1 + 1/c - 1/n2``. A practice with any zero cell has one half
    added to all four. A practice where both groups have none, or all, of their cases with the outcome says nothing
    about a ratio and is left out, as is one with an empty group.
    """
    names = _labels(None, events_first, totals_first, events_second, totals_second)
    _check_counts(events_first, totals_first)
    _check_counts(events_second, totals_second)
    used: list[PracticeEffect] = []
    left_out: Counter[str] = Counter()
    corrected = 0
    for name, a, n1, c, n2 in zip(names, events_first, totals_first, events_second, totals_second, strict=True):
        reason = _no_ratio(a, n1, c, n2)
        if reason:
            left_out[reason] += 1
            continue
        add = _CORRECTION if 0 in {a, n1 - a, c, n2 - c} else 0.0
        corrected += add > 0
        y, v = _log_ratio(a + add, n1 - a + add, c + add, n2 - c + add)
        used.append(PracticeEffect(name, y, v, n1 + n2))
    return _effects("log risk ratio", used, left_out, corrected)


def mean_effects(
    means: Sequence[float], sds: Sequence[float], totals: Sequence[int], *, labels: Sequence[str] | None = None
) -> Effects:
    """Mean of a measure in each practice, with variance ``sd**2 / n``.

    A practice with fewer than two cases, or with no spread at all, has no usable variance and is left out.
    """
    names = _labels(labels, means, sds, totals)
    used: list[PracticeEffect] = []
    left_out: Counter[str] = Counter()
    for name, mean, sd, n in zip(names, means, sds, totals, strict=True):
        if n < 2:
            left_out["fewer than two cases"] += 1
        elif not (math.isfinite(mean) and math.isfinite(sd) and sd > 0):
            left_out["no spread to weigh it by"] += 1
        else:
            used.append(PracticeEffect(name, mean, sd**2 / n, n))
    return _effects("mean", used, left_out, 0)


def _effects(scale: Scale, used: list[PracticeEffect], left_out: Counter[str], corrected: int) -> Effects:
    return Effects(
        scale=scale,
        practices=tuple(used),
        left_out=MappingProxyType(dict(left_out)),
        corrected=corrected,
        correction=_CORRECTION if corrected else 0.0,
    )


def _no_ratio(a: float, n1: int, c: float, n2: int) -> str:
    if 0 in {n1, n2}:
        return "a group without a case"
    if a == c == 0:
        return "no case with the outcome in either group"
    if a == n1 and c == n2:
        return "every case with the outcome in both groups"
    return ""


def _log_ratio(a: float, b: float, c: float, d: float) -> tuple[float, float]:
    return math.log(a / (a + b)) - math.log(c / (c + d)), 1 / a - 1 / (a + b) + 1 / c - 1 / (c + d)


def _labels(labels: Sequence[str] | None, *columns: Sequence[float]) -> Sequence[str]:
    names = labels if labels is not None else [str(i + 1) for i in range(len(columns[0]))]
    lengths = {len(names), *(len(column) for column in columns)}
    if len(lengths) > 1:
        found = f"Columns of different length: {sorted(lengths)}."
        raise RequestError(found, expected="one value a practice in every column", remedy="check the input")
    return names


def _check_counts(events: Sequence[float], totals: Sequence[int]) -> None:
    bad = [i for i, (x, n) in enumerate(zip(events, totals, strict=True)) if not 0 <= x <= n]
    if bad:
        found = f"{number_of(len(bad), 'practice')} with a count below zero or above its total."
        raise RequestError(
            found, where=f"practice number {bad[0] + 1}", expected="0 <= count <= total", remedy="check the input"
        )
