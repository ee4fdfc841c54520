"""Which counts must stay unknown, and the questions that show they do.

A count from 1 to ``minimum - 1`` must be able to be 1 and to be ``minimum - 1`` for all a reader knows, so that
nothing narrower than its label can be worked out. That holds for the cells of the table, for those it does not print
but gives away (cases less adverse), for cells hidden in earlier tables, and for the cases by which a cell differs
from an earlier one that holds them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from warehouse.disclosure.attack import row_of
from warehouse.disclosure.layout import Derived, Dimension
from warehouse.disclosure.space import sets_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from warehouse.disclosure.policy import Policy
    from warehouse.disclosure.published import Release
    from warehouse.disclosure.space import Space
    from warehouse.disclosure.table import Table

    Category = str | Derived


@dataclass(frozen=True, slots=True)
class Goal:
    """A sum of finest cells that must be able to lie in a range.

    Attributes:
        row: The sum, shape ``(atoms,)``.
        low: Lowest value wanted.
        high: Highest value wanted.
        earlier: Whether it protects a cell of an earlier table.
    """

    row: NDArray[np.int8]
    low: float
    high: float
    earlier: bool

    @property
    def upward(self) -> bool:
        """Whether it asks for a large value rather than a small one."""
        return self.low > 0

    def at_least(self, value: float) -> Goal:
        """The goal with a lower end no lower than ``value``."""
        return replace(self, low=max(self.low, value))

    def brought_to(self, value: int) -> Goal:
        """The goal widened so that ``value`` meets it."""
        return replace(self, low=min(self.low, value), high=max(self.high, value))


def goals_of(table: Table, policy: Policy, earlier: Sequence[Release], space: Space) -> list[Goal]:
    """All goals of a table to be published, two a count (small, then large), its own small counts first."""
    own = {
        row.tobytes(): (row, policy.minimum, False) for row, count in _lattice(table, space) if policy.is_small(count)
    }
    for row in _differences(table, policy, earlier, space):
        own.setdefault(row.tobytes(), (row, policy.minimum, False))
    for release in earlier:
        for key, cell in release.cells.items():
            if release.may_be_small(cell):
                row = row_of(release, key, space)
                own.setdefault(row.tobytes(), (row, release.policy.minimum, True))
    return [
        Goal(row, low, high, before)
        for row, minimum, before in own.values()
        for low, high in ((0.0, 1.0), (minimum - 1.0, math.inf))
    ]


def _lattice(table: Table, space: Space) -> Iterator[tuple[NDArray[np.int8], int]]:
    """Every cell a reader can name, printed or derived, with its count."""
    for categories in product(*(_categories(dimension) for dimension in table.layout.dimensions)):
        values = _values(table.layout.dimensions, categories)
        yield space.row(sets_of(table.layout, values)), table.count(*values)


def _differences(table: Table, policy: Policy, earlier: Sequence[Release], space: Space) -> Iterator[NDArray[np.int8]]:
    """Cases in an earlier cell but not in one of this table that lies within it, or the other way round."""
    mine = [(row.astype(np.int64), count) for row, count in _lattice(table, space)]
    new = np.array([row for row, _ in mine])
    sizes = new.sum(axis=1)
    for release in earlier:
        for row, known in _known_cells(release, space):
            shared = new @ row
            for i in np.flatnonzero((shared == sizes) | (shared == row.sum())):
                difference = row - new[i] if shared[i] == sizes[i] else new[i] - row
                if policy.is_small(abs(known - mine[i][1])) and bool(difference.any()):
                    yield difference.astype(np.int8)


def _known_cells(release: Release, space: Space) -> Iterator[tuple[NDArray[np.int64], int]]:
    """Earlier cells, printed or derived, whose exact count a reader has."""
    dimensions = release.layout.dimensions
    for categories in product(*(_categories(dimension) for dimension in dimensions)):
        count = _known(release, categories)
        if count is not None:
            row = space.row(sets_of(release.layout, _values(dimensions, categories)))
            yield row.astype(np.int64), count


def _known(release: Release, categories: tuple[Category, ...]) -> int | None:
    """The count of an earlier cell, derived categories worked out one after the other; None when not exact."""
    for position, category in enumerate(categories):
        if isinstance(category, Derived):
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
        category.values if isinstance(category, Derived) else dimension.values(category)
        for dimension, category in zip(dimensions, categories, strict=True)
    ]
