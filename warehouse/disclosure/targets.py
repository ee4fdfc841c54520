"""Which counts must stay unknown, and the questions that show they do.

A count from 1 to ``minimum - 1`` must be able to be 1 and to be ``minimum - 1`` for all a reader knows, so that
nothing narrower than its label can be worked out. That holds for the cells of the table, for those it does not print
but gives away (cases less adverse), for the cases by which a cell differs from an earlier one that holds them, and for
all such counts of earlier tables, which the ledger keeps as guards. Cells withheld before must keep two values.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from warehouse.disclosure.knowledge import guarded_row, row_of
from warehouse.disclosure.layout import DerivedTotal, Dimension
from warehouse.disclosure.policy import Policy
from warehouse.disclosure.published import Guard, Release
from warehouse.disclosure.space import Sets, Space, sets_of, within
from warehouse.disclosure.table import Table

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
