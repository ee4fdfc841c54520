"""What a reader of all published tables knows, as linear constraints on whole numbers, and questions put to it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Vector = NDArray[np.float64]

_PLENTY = 1e6  # no group has as many cases: a count that can be this large has no upper end
_SECONDS = 20.0  # a question the solver cannot settle in this time counts as "not shown to be safe"


@dataclass(frozen=True, slots=True)
class Knowledge:
    """Sums of finest cells with the range each is known to lie in."""

    rows: NDArray[np.int8]  # 0/1 sums, shape `(r, atoms)`
    low: Vector  # Lowest value of each, shape `(r,)`
    high: Vector  # Highest value of each

    @classmethod
    def of(cls, rows: NDArray[np.int8], bounds: Vector) -> Knowledge:
        """Sums with their ranges, shape ``(r, 2)``; one named twice is kept once, with the narrower range."""
        ranges: dict[bytes, tuple[NDArray[np.int8], float, float]] = {}
        for row, (low, high) in zip(rows, bounds, strict=True):
            _, least, most = ranges.get(row.tobytes(), (row, -math.inf, math.inf))
            ranges[row.tobytes()] = (row, max(least, float(low)), min(most, float(high)))
        kept = list(ranges.values())
        return cls(
            np.array([row for row, _, _ in kept], dtype=np.int8).reshape(len(kept), rows.shape[1]),
            np.array([low for _, low, _ in kept], dtype=np.float64),
            np.array([high for _, _, high in kept], dtype=np.float64),
        )

    def joined(self, rows: NDArray[np.int8], bounds: Vector) -> Knowledge:
        """This and more knowledge."""
        mine = np.column_stack([self.low, self.high])
        return Knowledge.of(np.vstack([self.rows, rows]), np.vstack([mine, bounds]))

    def holds(self, atoms: NDArray[np.int64]) -> bool:
        """Whether whole numbers for the finest cells fit everything known."""
        sums = self.rows.astype(np.int64) @ atoms
        return bool(np.all(atoms >= 0) and np.all(sums >= self.low) and np.all(sums <= self.high))


@dataclass(frozen=True, slots=True)
class Solution:
    """One set of whole numbers that fits, and what it costs to make it fit."""

    atoms: NDArray[np.int64]
    cost: float


def extreme(knowledge: Knowledge, row: NDArray[np.int8], *, largest: bool) -> float | None:
    """Smallest or largest value the sum ``row`` can take; infinite without a bound, None if nothing fits."""
    sign = -1.0 if largest else 1.0
    capped = knowledge.joined(row[None, :], np.array([[0.0, _PLENTY]]))
    value, _ = _solve(sign * row.astype(np.float64), capped, np.ones(row.size, dtype=np.int8))
    if value is None:
        return None
    return math.inf if sign * value >= _PLENTY else float(round(sign * value))


def cheapest(
    knowledge: Knowledge, costs: Sequence[float], soft_rows: NDArray[np.int8], soft_bounds: Vector
) -> Solution | None:
    """Whole numbers that fit what is known, at the least total cost of leaving the soft ranges.

    Soft sums ``(s, atoms)`` have ranges ``(s, 2)`` and a cost ``(s,)`` a unit outside; an infinite one forbids it.
    """
    atoms = knowledge.rows.shape[1]
    price = np.asarray(costs, dtype=np.float64)
    free = np.isfinite(price)
    hard = knowledge.joined(soft_rows[~free], soft_bounds[~free])
    wide = _with_slack(hard, soft_rows[free], soft_bounds[free])
    objective = np.concatenate([np.zeros(atoms), price[free], price[free]])
    integral = np.concatenate([np.ones(atoms, dtype=np.int8), np.zeros(2 * int(free.sum()), dtype=np.int8)])
    value, solution = _solve(objective, wide, integral)
    if value is None or solution is None:
        return None
    found = np.rint(solution[:atoms]).astype(np.int64)
    return Solution(found, value) if hard.holds(found) else None


def _with_slack(hard: Knowledge, soft_rows: NDArray[np.int8], soft_bounds: Vector) -> Knowledge:
    """Each soft sum with its own excess taken off and its own shortfall added."""
    eye = np.eye(soft_rows.shape[0], dtype=np.int8)
    blank = np.zeros((hard.rows.shape[0], 2 * soft_rows.shape[0]), dtype=np.int8)
    return Knowledge(
        np.block([[hard.rows, blank], [soft_rows, -eye, eye]]),
        np.concatenate([hard.low, soft_bounds[:, 0]]),
        np.concatenate([hard.high, soft_bounds[:, 1]]),
    )


def _solve(objective: Vector, knowledge: Knowledge, integral: NDArray[np.int8]) -> tuple[float | None, Vector | None]:
    """Least value of the objective over whole numbers.

    Sums over one or two crossed variables have whole-number corners, so fractions are allowed at first: what is
    impossible then is impossible, and a whole-number answer is the answer. Only else is the harder question asked.
    """
    value, solution = _run(objective, knowledge, np.zeros_like(integral))
    if solution is None:
        return None, None
    parts = solution[integral == 1]
    if bool(np.all(np.abs(parts - np.rint(parts)) < 1e-7)):
        return value, solution
    return _run(objective, knowledge, integral)


def _run(objective: Vector, knowledge: Knowledge, integral: NDArray[np.int8]) -> tuple[float | None, Vector | None]:
    from scipy.optimize import Bounds, LinearConstraint, milp
    from scipy.sparse import csr_array

    sums = csr_array(knowledge.rows.astype(np.float64))
    found = milp(
        objective,
        integrality=integral,
        bounds=Bounds(0, np.inf),
        constraints=LinearConstraint(sums, knowledge.low, knowledge.high),
        options={"time_limit": _SECONDS},
    )
    if found.status != 0 or found.x is None:
        return None, None
    return float(found.fun), np.asarray(found.x, dtype=np.float64)
