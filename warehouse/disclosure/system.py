"""What a reader of all published tables knows, as linear constraints on whole numbers, and questions put to it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from scipy.optimize._milp import _OptionsMILP
    from scipy.sparse import csr_array

Vector = NDArray[np.float64]
Rows: TypeAlias = "NDArray[np.int8] | csr_array"

_PLENTY = 1e6  # no group has as many cases: a count that can be this large has no upper end
# A question not settled after so many branches counts as "not shown to be safe": a bound of work, not of time, so that
# what is hidden never depends on the machine
_MOST_BRANCHES = 2_000


@dataclass(frozen=True, slots=True)
class Knowledge:
    """Sums of finest cells with the range each is known to lie in."""

    rows: csr_array  # Sums, shape `(r, atoms)`
    low: Vector  # Lowest value of each, shape `(r,)`
    high: Vector  # Highest value of each

    @classmethod
    def of(cls, rows: Rows, bounds: Vector) -> Knowledge:
        """Sums with their ranges, shape ``(r, 2)``."""
        return cls(sparse(rows), bounds[:, 0].astype(np.float64), bounds[:, 1].astype(np.float64))

    def joined(self, rows: Rows, bounds: Vector) -> Knowledge:
        """This and more knowledge."""
        from scipy.sparse import vstack

        low, high = np.append(self.low, bounds[:, 0]), np.append(self.high, bounds[:, 1])
        return Knowledge(vstack([self.rows, sparse(rows)], format="csr"), low, high)

    def holds(self, atoms: NDArray[np.int64]) -> bool:
        """Whether whole numbers for the finest cells fit everything known."""
        sums = self.rows @ atoms
        return bool(np.all(atoms >= 0) and np.all(sums >= self.low) and np.all(sums <= self.high))


def sparse(rows: Rows) -> csr_array:
    """Sums of finest cells as the solver takes them, shape ``(r, atoms)``; few of the numbers are not 0."""
    from scipy.sparse import csr_array

    return csr_array(rows.astype(np.float64)) if isinstance(rows, np.ndarray) else rows


def extreme(knowledge: Knowledge, row: NDArray[np.int8], *, largest: bool) -> float | None:
    """Smallest or largest value the sum ``row`` can take; infinite without a bound, None if nothing fits."""
    sign = -1.0 if largest else 1.0
    capped = knowledge.joined(row[None, :], np.array([[0.0, _PLENTY]]))
    value, _ = _solve(sign * row.astype(np.float64), capped, np.ones(row.size, dtype=np.int8))
    if value is None:
        return None
    return math.inf if sign * value >= _PLENTY else float(round(sign * value))


def cheapest(
    knowledge: Knowledge, costs: Sequence[float], soft_rows: Rows, soft_bounds: Vector
) -> NDArray[np.int64] | None:
    """Whole numbers that fit what is known, at the least total cost of leaving the soft ranges.

    Soft sums ``(s, atoms)`` have ranges ``(s, 2)`` and a cost ``(s,)`` a unit outside; an infinite one forbids it.
    """
    atoms = knowledge.rows.shape[1]
    price = np.asarray(costs, dtype=np.float64)
    free = np.isfinite(price)
    soft = sparse(soft_rows)
    hard = knowledge.joined(soft[~free], soft_bounds[~free])
    wide = _with_slack(hard, soft[free], soft_bounds[free])
    objective = np.concatenate([np.zeros(atoms), price[free], price[free]])
    integral = np.concatenate([np.ones(atoms, dtype=np.int8), np.zeros(2 * int(free.sum()), dtype=np.int8)])
    _, solution = _solve(objective, wide, integral)
    if solution is None:
        return None
    found = np.rint(solution[:atoms]).astype(np.int64)
    return found if hard.holds(found) else None


def _with_slack(hard: Knowledge, soft_rows: csr_array, soft_bounds: Vector) -> Knowledge:
    """Each soft sum with its own excess taken off and its own shortfall added."""
    from scipy.sparse import block_array, eye_array

    n_soft = soft_rows.shape[0]
    if n_soft == 0:
        return hard
    eye = eye_array(n_soft, format="csr")
    return Knowledge(
        block_array([[hard.rows, None, None], [soft_rows, -eye, eye]], format="csr"),
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


def solver_options() -> _OptionsMILP:
    """What bounds the work on one question."""
    return {"node_limit": _MOST_BRANCHES, "mip_rel_gap": 0.0}


def _run(objective: Vector, knowledge: Knowledge, integral: NDArray[np.int8]) -> tuple[float | None, Vector | None]:
    from scipy.optimize import Bounds, LinearConstraint, milp

    found = milp(
        objective,
        integrality=integral,
        bounds=Bounds(0, np.inf),
        constraints=LinearConstraint(knowledge.rows, knowledge.low, knowledge.high),
        options=solver_options(),
    )
    if found.status != 0 or found.x is None:
        return None, None
    return float(found.fun), np.asarray(found.x, dtype=np.float64)
