"""The search for the cells to withhold: cheapest first, none more than needed, and the proof that it is enough."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from warehouse.disclosure.system import Answer, Knowledge, cheapest, extreme

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from warehouse.disclosure.targets import Goal

_LITTLE = 1e-3  # price of missing a goal that is not asked for; far below that of hiding any cell


@dataclass(slots=True)
class Search:
    """The state of one attempt.

    Attributes:
        known: What holds whatever is hidden: earlier tables, zeros, labels of small cells, least size of the others.
        rows: Cells that may have to be hidden, as sums of finest cells, shape ``(s, atoms)``.
        ranges: What showing each says about it, shape ``(s, 2)``.
        prices: Cost of hiding each, shape ``(s,)``.
        goals: What must be proved, ``g`` of them.
        hidden: Which cells are hidden so far, shape ``(s,)``.
        moved: For every set of whole numbers found, the cells whose shown value it contradicts, each ``(s,)``.
        reached: Likewise the values that the goals' sums take, each ``(g,)``.
    """

    known: Knowledge
    rows: NDArray[np.int8]
    ranges: NDArray[np.float64]
    prices: NDArray[np.float64]
    goals: list[Goal]
    hidden: NDArray[np.bool_]
    moved: list[NDArray[np.bool_]] = field(default_factory=list)
    reached: list[NDArray[np.int64]] = field(default_factory=list)

    def fits(self) -> bool:
        """Whether the table, all shown, fits what was published before."""
        return self._ask([], [], more=False) is not None

    def hide(self, may_skip: Callable[[Goal], bool]) -> bool:
        """Hide cells until every goal is proved, then show again what need not be hidden.

        A goal that stays out of reach with every cell hidden is out of reach because of the labels alone (a total of
        two cells that are not 0 is not 1). It is brought back to what the labels leave, which must be two values at
        least.

        Args:
            may_skip: Asked about a goal of which the labels leave one value: whether that was so before this table.

        Returns:
            False when some count would be given away whatever is hidden.
        """
        wanted = np.ones(len(self.goals), dtype=np.bool_)
        causes: dict[int, int] = {}
        for i in range(len(self.goals)):
            before = self.hidden.copy()
            if not self._proved()[i] and not self._prove(i, wanted, more=True):
                within = self._labels_leave(self.goals[i])
                if within is None and not may_skip(self.goals[i]):
                    return False
                wanted[i] = within is not None and self._retry(i, within, wanted)
            causes.update(dict.fromkeys(np.flatnonzero(self.hidden & ~before).tolist(), i))
        for cell in sorted(causes, key=lambda cell: -self.prices[cell]):
            self.hidden[cell] = False
            if not self._still_proved(causes[cell], wanted):
                self.hidden[cell] = True
        return True

    def _labels_leave(self, goal: Goal) -> Goal | None:
        """The goal within the values that the labels alone leave; None when they leave a single one."""
        low, high = (extreme(self.known, goal.row, largest=largest) for largest in (False, True))
        if low is None or high is None or low == high:
            return None
        return replace(goal, low=min(goal.low, high), high=max(goal.high, low))

    def _retry(self, i: int, goal: Goal, wanted: NDArray[np.bool_]) -> bool:
        self.goals[i] = goal
        return bool(self._proved()[i]) or self._prove(i, wanted, more=True)

    def _still_proved(self, likeliest: int, wanted: NDArray[np.bool_]) -> bool:
        """Whether all goals hold with the cells hidden now; the one most likely to fail is looked at first."""
        goals = (likeliest, *np.flatnonzero(wanted).tolist())
        return all(self._proved()[i] or self._prove(i, wanted, more=False) for i in goals)

    def _proved(self) -> NDArray[np.bool_]:
        """Goals met by whole numbers already found that fit what is shown now, shape ``(g,)``."""
        if not self.moved:
            return np.zeros(len(self.goals), dtype=np.bool_)
        fitting = ~np.any(np.array(self.moved) & ~self.hidden, axis=1)
        reached = np.array(self.reached)[fitting]
        low, high = np.array([(goal.low, goal.high) for goal in self.goals]).T
        proved: NDArray[np.bool_] = np.any((reached >= low) & (reached <= high), axis=0)
        return proved

    def _prove(self, i: int, wanted: NDArray[np.bool_], *, more: bool) -> bool:
        """Find whole numbers that meet goal ``i`` and as many like it as cost nothing more; hide what they move."""
        goal = self.goals[i]
        like = [j for j in np.flatnonzero(wanted & ~self._proved()).tolist() if self.goals[j].upward == goal.upward]
        answer = self._ask([goal], [self.goals[j] for j in like if j != i], more=more)
        if answer is None:
            return False
        sums = self.rows.astype(np.int64) @ answer.atoms
        moved = (sums < self.ranges[:, 0]) | (sums > self.ranges[:, 1])
        self.moved.append(moved)
        self.reached.append(np.array([one.row.astype(np.int64) @ answer.atoms for one in self.goals]))
        self.hidden |= moved
        return True

    def _ask(self, goals: Sequence[Goal], others: Sequence[Goal], *, more: bool) -> Answer | None:
        shown = ~self.hidden
        price = self.prices[shown] if more else np.full(int(shown.sum()), math.inf)
        rows = [self.rows[shown], *(other.row[None, :] for other in others)]
        ranges = [self.ranges[shown], *(np.array([[other.low, other.high]]) for other in others)]
        return cheapest(
            self.known,
            [*price, *([_LITTLE] * len(others))],
            np.vstack(rows),
            np.vstack(ranges),
            [(goal.row, goal.low, goal.high) for goal in goals],
        )
