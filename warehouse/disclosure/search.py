"""The search for the cells to withhold: cheapest first, none more than needed, and the proof that it is enough."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from warehouse.disclosure.system import Knowledge, Solution, cheapest
from warehouse.disclosure.targets import Goal

if TYPE_CHECKING:
    from scipy.sparse import csr_array

_LITTLE = 1e-3  # price of missing a goal not asked for, in prices of the cheapest cell: nothing is hidden for it
_MUCH = 1e3  # price of missing the goal asked for, in prices of the dearest cell: all is hidden for it if need be


@dataclass(slots=True)
class Search:
    """The state of one attempt."""

    # What holds whatever is hidden: earlier tables, zeros, labels of small cells, least size of the others
    known: Knowledge
    rows: csr_array  # Cells that may have to be hidden, as sums of finest cells, shape `(s, atoms)`
    ranges: NDArray[np.float64]  # What showing each says about it, shape `(s, 2)`
    prices: NDArray[np.float64]  # Cost of hiding each, shape `(s,)`
    # What must be proved, `g` of them: of each count first that it can be small, then that it can be large
    goals: list[Goal]
    wanted: csr_array  # The sums of the goals, shape `(g, atoms)`
    hidden: NDArray[np.bool_]  # Which cells are hidden so far, shape `(s,)`
    # For every set of whole numbers found, the cells whose shown value it contradicts, each `(s,)`
    moved: list[NDArray[np.bool_]] = field(default_factory=list)
    # Likewise the values that the goals' sums take, each `(g,)`
    reached: list[NDArray[np.int64]] = field(default_factory=list)

    def fits(self) -> bool:
        """Whether the table, all shown, fits what was published before."""
        return self._ask([], [], more=False) is not None

    def hide(self, may_skip: Callable[[Goal], bool]) -> bool:
        """Hide cells until every goal is proved, then show again what need not be hidden.

        A goal that stays out of reach with every cell hidden is out of reach because of the labels alone (a total of
        two cells that are not 0 is not 1). It is brought back to the nearest value the labels leave. At least two
        values must be left.

        ``may_skip`` is asked about a goal of which the labels leave one value: whether that was so before this table.
        False when some count would be given away whatever is hidden.
        """
        causes: dict[int, int] = {}
        for i in range(0, len(self.goals), 2):
            before = self.hidden.copy()
            if not (self._set_apart(i) if self.goals[i].apart else self._settle(i) and self._settle(i + 1)):
                return False
            if self.goals[i].high >= self.goals[i + 1].low and not may_skip(self.goals[i]):
                return False
            causes.update(dict.fromkeys(np.flatnonzero(self.hidden & ~before).tolist(), i))
        for cell in sorted(causes, key=lambda cell: -self.prices[cell]):
            self.hidden[cell] = False
            if not self._still_proved(causes[cell]):
                self.hidden[cell] = True
        return True

    def _settle(self, i: int) -> bool:
        """Prove goal ``i``, or bring it back to what the labels leave; a large value must lie above the small one."""
        if self.goals[i].upward:
            self.goals[i] = self.goals[i].at_least(self.goals[i - 1].high + 1)
        return bool(self._proved()[i]) or self._prove(i, more=True)

    def _set_apart(self, i: int) -> bool:
        """Prove two values of the count of goals ``i`` and ``i + 1``, whichever two come cheapest."""
        if not self._proved()[i] and not self._prove(i, more=True):
            return False
        values = np.array(self.reached)[self._fitting(), i]
        low, high = int(values.min()), int(values.max())
        if low == high:
            self.goals[i + 1] = self.goals[i + 1].at_least(high + 1)
            if not self._prove(i + 1, more=True):
                return False
            high = int(self.goals[i + 1].low)
        if low >= high:
            self.goals[i] = self.goals[i].at_most(low - 1)
            if not self._prove(i, more=True):
                return False
            high, low = low, int(self.goals[i].high)
        self.goals[i], self.goals[i + 1] = self.goals[i].at_most(low), self.goals[i + 1].at_least(high)
        return True

    def _still_proved(self, likeliest: int) -> bool:
        """Whether all goals hold with the cells hidden now; the one most likely to fail is looked at first."""
        while left := np.flatnonzero(~self._proved()).tolist():
            if not self._prove(likeliest if likeliest in left else left[0], more=False):
                return False
        return True

    def _proved(self) -> NDArray[np.bool_]:
        """Goals met by whole numbers already found that fit what is shown now, shape ``(g,)``."""
        if not self.moved:
            return np.zeros(len(self.goals), dtype=np.bool_)
        reached = np.array(self.reached)[self._fitting()]
        low, high = np.array([(goal.low, goal.high) for goal in self.goals]).T
        proved: NDArray[np.bool_] = np.any((reached >= low) & (reached <= high), axis=0)
        return proved

    def _fitting(self) -> NDArray[np.bool_]:
        """Which of the whole numbers found fit what is shown now."""
        fitting: NDArray[np.bool_] = ~np.any(np.array(self.moved) & ~self.hidden, axis=1)
        return fitting

    def _prove(self, i: int, *, more: bool) -> bool:
        """Find whole numbers that meet goal ``i`` and as many like it as cost nothing more.

        With ``more``, further cells are hidden for it, and the goal is brought back as far as the labels require.
        """
        goal = self.goals[i]
        like = [j for j in np.flatnonzero(~self._proved()).tolist() if self.goals[j].upward == goal.upward]
        answer = self._ask([i], [j for j in like if j != i], more=more)
        if answer is None:
            return False
        sums = self.rows @ answer.atoms
        moved = (sums < self.ranges[:, 0]) | (sums > self.ranges[:, 1])
        self.moved.append(moved)
        self.reached.append(np.rint(self.wanted @ answer.atoms).astype(np.int64))
        self.hidden |= moved
        self.goals[i] = goal.brought_to(int(self.reached[-1][i]))
        return True

    def _ask(self, goals: Sequence[int], others: Sequence[int], *, more: bool) -> Solution | None:
        """The cheapest whole numbers; goals must be met unless more cells may be hidden, where they come first.

        Where no more may be hidden, as few of the hidden cells as can be are made use of, so that what is found still
        fits when others of them are shown again.
        """
        from scipy.sparse import vstack

        scale = float(np.max(self.prices, initial=1.0))
        little = _LITTLE * float(np.min(self.prices, initial=1.0)) / scale
        cells = ~self.hidden if more else np.ones(self.hidden.size, dtype=np.bool_)
        prices = np.where(self.hidden | more, self.prices / scale, math.inf)[cells]
        soft = [*goals, *others]
        ends = [(self.goals[i].low, self.goals[i].high) for i in soft]
        return cheapest(
            self.known,
            [*prices, *([_MUCH if more else math.inf] * len(goals)), *([little] * len(others))],
            vstack([self.rows[cells], self.wanted[soft]], format="csr"),
            np.vstack([self.ranges[cells], np.array(ends, dtype=np.float64).reshape(len(soft), 2)]),
        )
