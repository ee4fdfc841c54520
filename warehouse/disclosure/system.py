"""What a reader of all published tables knows, as linear constraints on whole numbers, and questions put to it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray
    from scipy.sparse import csr_array

    Vector = NDArray[np.float64]

_PLENTY = 1e6  # no group has as many cases: a count that can be this large has no upper end
_SECONDS = 20.0  # a question the solver cannot settle in this time counts as "not shown to be safe"


@dataclass(frozen=True, slots=True)
class Knowledge:
    """Sums of finest cells with the range each is known to lie in.

    Attributes:
        rows: 0/1 sums, shape ``(r, atoms)``.
        low: Lowest value of each, shape ``(r,)``.
        high: Highest value of each.
    """

    rows: NDArray[np.int8]
    low: Vector
    high: Vector

    def holds(self, atoms: NDArray[np.int64]) -> bool:
        """Whether whole numbers for the finest cells fit everything known."""
        sums = self.rows.astype(np.int64) @ atoms
        return bool(np.all(atoms >= 0) and np.all(sums >= self.low) and np.all(sums <= self.high))


@dataclass(frozen=True, slots=True)
class Answer:
    """One set of whole numbers that fits, and what it costs to make it fit."""

    atoms: NDArray[np.int64]
    cost: float


def extreme(knowledge: Knowledge, row: NDArray[np.int8], *, largest: bool) -> float | None:
    """Smallest or largest value the sum ``row`` can take; infinite without a bound, None if nothing fits."""
    sign = -1.0 if largest else 1.0
    capped = Knowledge(
        np.vstack([knowledge.rows, row[None, :]]), np.append(knowledge.low, 0.0), np.append(knowledge.high, _PLENTY)
    )
    value, _ = _solve(sign * row.astype(np.float64), capped, np.ones(row.size, dtype=np.int8))
    if value is None:
        return None
    return math.inf if sign * value >= _PLENTY else float(round(sign * value))


def cheapest(
    knowledge: Knowledge,
    costs: Sequence[float],
    soft_rows: NDArray[np.int8],
    soft_bounds: Vector,
    goals: Sequence[tuple[NDArray[np.int8], float, float]],
) -> Answer | None:
    """Whole numbers that fit what is known and the goals, at the least total cost of leaving the soft ranges.

    Args:
        knowledge: What must hold.
        costs: Cost of each unit a soft sum lies outside its range, shape ``(s,)``; infinite forbids it.
        soft_rows: Soft sums, shape ``(s, atoms)``.
        soft_bounds: Their ranges, shape ``(s, 2)``.
        goals: Sums with the range each must lie in.
    """
    atoms = knowledge.rows.shape[1]
    price = np.asarray(costs, dtype=np.float64)
    free = np.isfinite(price)
    hard = Knowledge(
        np.vstack([knowledge.rows, soft_rows[~free], *(row[None, :] for row, _, _ in goals)]),
        np.concatenate([knowledge.low, soft_bounds[~free, 0], [low for _, low, _ in goals]]),
        np.concatenate([knowledge.high, soft_bounds[~free, 1], [high for _, _, high in goals]]),
    )
    wide = _with_slack(hard, soft_rows[free], soft_bounds[free])
    objective = np.concatenate([np.zeros(atoms), price[free], price[free]])
    integral = np.concatenate([np.ones(atoms, dtype=np.int8), np.zeros(2 * int(free.sum()), dtype=np.int8)])
    value, solution = _solve(objective, wide, integral)
    if value is None or solution is None:
        return None
    found = np.rint(solution[:atoms]).astype(np.int64)
    return Answer(found, value) if hard.holds(found) else None


def _with_slack(hard: Knowledge, soft_rows: NDArray[np.int8], soft_bounds: Vector) -> Knowledge:
    """Each soft sum with its own excess taken off and its own shortfall added."""
    count = soft_rows.shape[0]
    eye = np.eye(count, dtype=np.int8)
    blank = np.zeros((hard.rows.shape[0], 2 * count), dtype=np.int8)
    rows = np.block([[hard.rows, blank], [soft_rows, -eye, eye]])
    return Knowledge(
        rows,
        np.concatenate([hard.low, soft_bounds[:, 0]]),
        np.concatenate([hard.high, soft_bounds[:, 1]]),
    )


def _solve(objective: Vector, knowledge: Knowledge, integral: NDArray[np.int8]) -> tuple[float | None, Vector | None]:
    """Least value of the objective over whole numbers.

    Sums over one or two crossed variables have whole-number corners, so the fractions are allowed at first: what is
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

    found = milp(
        objective,
        integrality=integral,
        bounds=Bounds(0, np.inf),
        constraints=LinearConstraint(_sparse(knowledge.rows), knowledge.low, knowledge.high),
        options={"time_limit": _SECONDS},
    )
    if found.status != 0 or found.x is None:
        return None, None
    return float(found.fun), np.asarray(found.x, dtype=np.float64)


def _sparse(rows: NDArray[np.int8]) -> csr_array[np.float64]:
    from scipy.sparse import csr_array

    return csr_array(rows.astype(np.float64))
