"""Hide small counts, and as few others as it takes, so that none of the hidden ones can be worked out.

1. Counts from 1 to ``minimum - 1`` are hidden ("fewer than 5").
2. For every count that must stay unknown (``targets``) whole numbers are sought that fit everything published, this
   table and earlier ones, and make that count as small, and as large, as its label allows. Where there are none,
   the cheapest further cells are hidden ("withheld") until there are; cost is the number of cases in the cells, and
   what readers need most comes last.
3. Cells that turn out not to be needed are shown again.

The whole numbers found are kept: they prove that the final table is safe against a reader who knows the rule. Where
labels themselves give a count away (four cells "fewer than 5" in a total "fewer than 5" are all 1), or would cost what
readers need most, first the small totals and then all small cells are labelled "withheld" instead; where even that
cannot help, because earlier tables have said too much, the table is refused. The search for the cheapest set is a
heuristic (Kelly, Golden & Assad 1992; Fischetti & Salazar 2000, both from memory): it hides enough, not always the very
least.

What it does not do: a shown 0, or a share of 0 or 100%, still tells something about everybody in the group; a person
who is in the table knows of himself; a small number of cases that only a sum of three or more cells of different
tables would single out is looked for only where it is a printed or derived cell or a difference of two.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import product
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from warehouse.disclosure.knowledge import guarded_row, knowledge_of, row_of, space_for
from warehouse.disclosure.layout import DerivedTotal, Dimension, Layout
from warehouse.disclosure.policy import Policy
from warehouse.disclosure.published import Count, Guard, ProtectedTable, Release, State, make_cell
from warehouse.disclosure.space import Sets, Space, sets_of, within
from warehouse.disclosure.system import Knowledge, cheapest, extreme, sparse
from warehouse.disclosure.table import Table
from warehouse.errors import RequestError
from warehouse.plural import number_of

if TYPE_CHECKING:
    from scipy.sparse import csr_array


Category = str | DerivedTotal


@dataclass(frozen=True, slots=True)
class Goal:
    """A sum of finest cells that must be able to lie in a range."""

    row: NDArray[np.int8]  # The sum, shape `(atoms,)`
    low: float  # Lowest value wanted
    high: float  # Highest value wanted
    upward: bool  # Whether it asks for a large value rather than a small one
    earlier: bool  # Whether it protects a count of an earlier table
    apart: bool = False  # Whether any two values will do; the ends are then found on the way

    def at_least(self, value: float) -> Goal:
        """The goal with a lower end no lower than ``value``."""
        return replace(self, low=max(self.low, value))

    def at_most(self, value: float) -> Goal:
        """The goal with an upper end no higher than ``value``."""
        return replace(self, high=min(self.high, value))

    def brought_to(self, value: int) -> Goal:
        """The goal widened so that ``value`` meets it."""
        return replace(self, low=min(self.low, value), high=max(self.high, value))


def guards_of(table: Table, policy: Policy, earlier: Sequence[Release], space: Space) -> tuple[Guard, ...]:
    """The counts of a table that must stay unknown: its small ones, and small differences to earlier tables."""
    lattice = [(sets, space.named(sets), count) for sets, count in _lattice(table)]
    found = {space.row(sets).tobytes(): Guard(sets) for sets, _, count in lattice if policy.is_small(count)}
    for release in earlier:
        for sets, known in _known_cells(release):
            named = space.named(sets)
            for own_sets, own, count in lattice:
                if own == named or not policy.is_small(abs(known - count)):
                    continue
                guard = Guard(sets, own_sets) if within(own, named) else Guard(own_sets, sets)
                if within(own, named) or within(named, own):
                    found.setdefault(guarded_row(guard, space).tobytes(), guard)
    return tuple(found.values())


def goals_of(guards: Sequence[Guard], policy: Policy, earlier: Sequence[Release], space: Space) -> list[Goal]:
    """All goals of a table to be published, two a count (small, then large), its own first.

    Guarded counts must be able to be 1 and ``minimum - 1``; other hidden cells of earlier tables any two values.
    """
    rows = [(guarded_row(guard, space), policy.minimum, False) for guard in guards]
    rows += [
        (guarded_row(guard, space), release.policy.minimum, True) for release in earlier for guard in release.guards
    ]
    goals = {row.tobytes(): _pair(row, minimum, before) for row, minimum, before in reversed(rows)}
    goals = dict(reversed(goals.items()))
    for release in earlier:
        for key, cell in release.cells.items():
            row = row_of(release.layout, key, space)
            if cell.state != "shown":
                down, up = (Goal(row, 0.0, math.inf, upward, earlier=True, apart=True) for upward in (False, True))
                goals.setdefault(row.tobytes(), (down, up))
    return [goal for pair in goals.values() for goal in pair]


def _pair(row: NDArray[np.int8], minimum: int, before: bool) -> tuple[Goal, Goal]:
    return (
        Goal(row, 0.0, 1.0, upward=False, earlier=before),
        Goal(row, minimum - 1.0, math.inf, upward=True, earlier=before),
    )


def _lattice(table: Table) -> Iterator[tuple[Sets, int]]:
    """Every cell a reader can name, printed or derived: the cases in it and its count."""
    for categories in product(*(_categories(dimension) for dimension in table.layout.dimensions)):
        values = _values(table.layout.dimensions, categories)
        yield sets_of(table.layout, values), table.count(*values)


def _known_cells(release: Release) -> Iterator[tuple[Sets, int]]:
    """Earlier cells, printed or derived, whose exact count a reader has."""
    dimensions = release.layout.dimensions
    for categories in product(*(_categories(dimension) for dimension in dimensions)):
        count = _known(release, categories)
        if count is not None:
            yield sets_of(release.layout, _values(dimensions, categories)), count


def _known(release: Release, categories: tuple[Category, ...]) -> int | None:
    """The count of an earlier cell, derived categories worked out one after the other; None when not exact."""
    for position, category in enumerate(categories):
        if isinstance(category, DerivedTotal):
            parts = [(part, 1) for part in category.plus] + [(part, -1) for part in category.minus]
            total = 0
            for part, sign in parts:
                count = _known(release, (*categories[:position], part, *categories[position + 1 :]))
                if count is None:
                    return None
                total += sign * count
            return total
    low, high = release.bounds(tuple(str(category) for category in categories))
    return int(low) if low == high else None


def _categories(dimension: Dimension) -> tuple[Category, ...]:
    return (*dimension.members, *dimension.derived())


def _values(dimensions: Sequence[Dimension], categories: tuple[Category, ...]) -> list[frozenset[str]]:
    return [
        category.values if isinstance(category, DerivedTotal) else dimension.values(category)
        for dimension, category in zip(dimensions, categories, strict=True)
    ]


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
        sums = self.rows @ answer
        moved = (sums < self.ranges[:, 0]) | (sums > self.ranges[:, 1])
        self.moved.append(moved)
        self.reached.append(np.rint(self.wanted @ answer).astype(np.int64))
        self.hidden |= moved
        self.goals[i] = goal.brought_to(int(self.reached[-1][i]))
        return True

    def _ask(self, goals: Sequence[int], others: Sequence[int], *, more: bool) -> NDArray[np.int64] | None:
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


Key = tuple[str, ...]

_MISFIT = (
    "Its counts do not fit what was published before about the same cases; if cases were added or corrected since, "
    "give it a scope of its own."
)


def protect(
    table: Table, policy: Policy | None = None, *, earlier: Sequence[Release] = (), last: frozenset[Key] = frozenset()
) -> ProtectedTable:
    """Make a table fit to leave; the default policy hides 1 to 4.

    ``earlier`` is everything published before about the same cases, from the ledger; differences are looked for, and a
    table that was published already is given word for word. A table of which nothing may be shown says why in
    ``refused``, and has no place in the ledger. Cells in ``last`` are what readers need most: they are withheld only
    where nothing else will do.
    """
    rule = policy or Policy()
    same = next((one for one in earlier if one.name == table.name and one.layout == table.layout), None)
    if same is not None and all(
        cell.value in {None, rule.shown_value(table.cell(key))} for key, cell in same.cells.items()
    ):
        states = [cell.state for cell in same.cells.values()]
        return ProtectedTable(same, "", _notes(rule, states.count("small"), states.count("withheld")))
    if rule.hides_nothing:
        return _result(table, rule, frozenset(), frozenset(), 1, ())
    try:
        space = space_for(earlier, table.layout)
    except RequestError as error:
        return _refusal(table, rule, f"{error.found} {error.remedy.capitalize()}.")
    guards = guards_of(table, rule, earlier, space)
    goals = goals_of(guards, rule, earlier, space)
    counts = {key: table.cell(key) for key in table.layout.keys()}  # noqa: SIM118 - a method
    small = frozenset(key for key, count in counts.items() if rule.is_small(count))
    if not goals and not earlier:
        return _result(table, rule, frozenset(), frozenset(), rule.minimum, guards)
    rows = {key: row_of(table.layout, key, space) for key in counts}
    found: list[ProtectedTable] = []
    for relabelled in _stages(counts, small, table.layout):
        least = 1 if relabelled else rule.minimum
        open_ = [key for key, count in counts.items() if count >= rule.minimum]
        search = _search(counts, rows, rule, knowledge_of(earlier, space), relabelled, open_, goals, last)
        if not relabelled and not search.fits():
            return _refusal(table, rule, _MISFIT)
        if search.hide(lambda goal: _was_known(goal, earlier, space)):
            hidden = frozenset(key for key, out in zip(open_, search.hidden, strict=True) if out)
            found.append(_result(table, rule, small - relabelled, hidden | relabelled, least, guards))
            if not hidden & last:
                return found[-1]
    if found:
        return found[0]
    return _refusal(table, rule, "Together with what was published before it would give away a small count.")


def _stages(counts: Mapping[Key, int], small: frozenset[Key], layout: Layout) -> Iterator[frozenset[Key]]:
    """Which small cells lose their label: none, then those that hold other non-empty cells, then all."""
    yield frozenset()
    filled = [layout.values(key) for key, count in counts.items() if count > 0]
    totals = frozenset(key for key in small if any(_within(part, layout.values(key)) for part in filled))
    yield from (stage for stage in dict.fromkeys((totals, small)) if stage)


def _within(part: Sequence[frozenset[str]], whole: Sequence[frozenset[str]]) -> bool:
    return part != whole and all(own <= wide for own, wide in zip(part, whole, strict=True))


def _search(
    counts: Mapping[Key, int],
    rows: Mapping[Key, NDArray[np.int8]],
    policy: Policy,
    before: Knowledge,
    relabelled: frozenset[Key],
    open_: Sequence[Key],
    goals: list[Goal],
    last: frozenset[Key],
) -> Search:
    """The state before anything is withheld: earlier knowledge, and what the labels of this table say."""
    least = 1 if relabelled else policy.minimum
    bounds = [_label_bounds(key, count, policy, relabelled, least) for key, count in counts.items()]
    size = before.rows.shape[1]
    dear = float(sum(counts.values()))
    return Search(
        known=before.joined(np.array(list(rows.values()), dtype=np.int8), np.array(bounds, dtype=np.float64)),
        rows=sparse(np.array([rows[key] for key in open_], dtype=np.int8).reshape(len(open_), size)),
        ranges=np.array([policy.bounds_of(policy.shown_value(counts[key])) for key in open_], dtype=np.float64).reshape(
            len(open_), 2
        ),
        prices=np.array(
            [counts[key] + 1e-6 * i + (dear if key in last else 0.0) for i, key in enumerate(open_)], dtype=np.float64
        ),
        goals=list(goals),
        wanted=sparse(np.array([goal.row for goal in goals], dtype=np.int8).reshape(len(goals), size)),
        hidden=np.zeros(len(open_), dtype=np.bool_),
    )


def _label_bounds(key: Key, count: int, policy: Policy, relabelled: frozenset[Key], least: int) -> tuple[float, float]:
    """What is known of a cell even when its count is hidden."""
    if count == 0:
        return 0.0, 0.0
    if policy.is_small(count):
        return 1.0, math.inf if key in relabelled else policy.minimum - 1.0
    return float(least), math.inf


def _was_known(goal: Goal, earlier: Sequence[Release], space: Space) -> bool:
    """Whether an earlier cell was given away before this table, so that this table does it no harm."""
    if not goal.earlier:
        return False
    before = knowledge_of(earlier, space)
    return extreme(before, goal.row, largest=False) == extreme(before, goal.row, largest=True)


def _result(
    table: Table, policy: Policy, small: frozenset[Key], withheld: frozenset[Key], least: int, guards: tuple[Guard, ...]
) -> ProtectedTable:
    cells: dict[Key, Count] = {}
    for key in table.layout.keys():  # noqa: SIM118
        state: State = "small" if key in small else "withheld" if key in withheld else "shown"
        cells[key] = make_cell(state, policy.shown_value(table.cell(key)), policy)
    release = Release(table.name, table.layout, policy, MappingProxyType(cells), least, guards)
    return ProtectedTable(release, "", _notes(policy, len(small), len(withheld)))


def _refusal(table: Table, policy: Policy, reason: str) -> ProtectedTable:
    hidden = _result(table, policy, frozenset(), frozenset(table.layout.keys()), 0, ())
    return replace(hidden, refused=reason, notes=(f"This table is not shown. {reason}",))


def _notes(policy: Policy, small: int, withheld: int) -> tuple[str, ...]:
    notes = []
    if small:
        are = number_of(small, "count is", "counts are")
        notes.append(f"{are} from 1 to {policy.minimum - 1} and shown as “{policy.small_label}”; 0 is 0.")
    if withheld:
        are = number_of(withheld, "count is", "counts are")
        notes.append(f"{are} withheld so that no small count can be worked out from the others.")
    if policy.round_to:
        notes.append(f"Counts are rounded to the nearest {policy.round_to}, so rows need not add up to totals.")
    return tuple(notes)
