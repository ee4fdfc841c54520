"""The attack that a protected table has to stand: what can be worked out about its hidden cells."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from warehouse.disclosure.space import Space, sets_of, space_of
from warehouse.disclosure.system import Knowledge, extreme
from warehouse.errors import RequestError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from warehouse.disclosure.layout import Layout
    from warehouse.disclosure.published import Guard, Release


@dataclass(frozen=True, slots=True)
class CellRange:
    """What a reader of all the tables can work out about one hidden cell."""

    table: str  # Name of its table
    key: tuple[str, ...]
    label: str  # The text shown for it
    low: float  # Smallest count that fits everything published
    high: float  # Largest; infinite where nothing bounds it

    @property
    def recovered(self) -> bool:
        """Whether only one count is left."""
        return self.low == self.high


def attack(releases: Sequence[Release]) -> tuple[CellRange, ...]:
    """Range of every hidden cell, by integer programming over all tables at once.

    The reader is taken to know the rule: that a cell "fewer than 5" is from 1 to 4, that a withheld cell is not
    smaller than ``withheld_from`` says, that rounded counts were rounded as stated, and that counts are whole numbers.

    Raises:
        RequestError: The tables combine into more finest cells than can be handled, or contradict each other.
    """
    space = space_for(releases)
    knowledge = knowledge_of(releases, space)
    return tuple(
        _range(knowledge, row_of(release, key, space), release.name, key, cell.shown)
        for release in releases
        for key, cell in release.cells.items()
        if cell.state != "shown"
    )


def attack_guarded(releases: Sequence[Release]) -> tuple[CellRange, ...]:
    """Range of every count the releases guard, printed or not; the key says which cases it counts."""
    space = space_for(releases)
    knowledge = knowledge_of(releases, space)
    return tuple(
        _range(knowledge, guarded_row(guard, space), release.name, (_label_of(guard),), "guarded")
        for release in releases
        for guard in release.guards
    )


def space_for(releases: Sequence[Release], *layouts: Layout) -> Space:
    """The space of the releases and of further tables."""
    guarded = [sets for release in releases for guard in release.guards for sets in (guard.whole, guard.less or {})]
    return space_of([*layouts, *(release.layout for release in releases)], guarded)


def guarded_row(guard: Guard, space: Space) -> NDArray[np.int8]:
    """A guarded count as a sum of finest cells."""
    whole = space.row(guard.whole)
    return whole if guard.less is None else (whole - space.row(guard.less)).astype(np.int8)


def _range(knowledge: Knowledge, row: NDArray[np.int8], table: str, key: tuple[str, ...], label: str) -> CellRange:
    low, high = extreme(knowledge, row, largest=False), extreme(knowledge, row, largest=True)
    if low is None or high is None:
        found = "No counts fit all of these tables together, or none were found in time."
        raise RequestError(
            found,
            where=f"table {table}",
            expected="tables about the same cases that agree",
            remedy="give tables about other cases a scope of their own",
        )
    return CellRange(table, key, label, low, high)


def _label_of(guard: Guard) -> str:
    def cases(sets: Mapping[str, frozenset[str]]) -> str:
        return ", ".join(f"{name} {'/'.join(sorted(values))}" for name, values in sets.items()) or "all cases"

    return cases(guard.whole) if guard.less is None else f"{cases(guard.whole)}, without: {cases(guard.less)}"


def knowledge_of(releases: Sequence[Release], space: Space) -> Knowledge:
    """Everything the releases say, as ranges of sums of finest cells."""
    rows = [row_of(release, key, space) for release in releases for key in release.cells]
    bounds = [release.bounds(key) for release in releases for key in release.cells]
    return Knowledge.of(
        np.array(rows, dtype=np.int8).reshape(len(rows), space.size),
        np.array(bounds, dtype=np.float64).reshape(len(rows), 2),
    )


def row_of(release: Release, key: tuple[str, ...], space: Space) -> NDArray[np.int8]:
    """A published cell as a sum of finest cells."""
    layout = release.layout
    values = [dimension.values(category) for dimension, category in zip(layout.dimensions, key, strict=True)]
    return space.row(sets_of(layout, values))
