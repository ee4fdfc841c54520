"""The attack that a protected table has to stand: what can be worked out about its hidden cells.

And tables to attack, made from rows of cases or from pairs of counts.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import polars as pl
from numpy.typing import NDArray

from warehouse.disclosure import Dimension, Guard, Layout, Release, Table
from warehouse.disclosure.knowledge import guarded_row, knowledge_of, row_of, space_for
from warehouse.disclosure.system import Knowledge, extreme
from warehouse.errors import RequestError
from warehouse.plural import number_of


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
        _range(knowledge, row_of(release.layout, key, space), release.name, key, cell.shown)
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


def table_of_rows(
    frame: pl.DataFrame,
    *,
    name: str,
    dimensions: Sequence[Dimension],
    scope: Mapping[str, tuple[str, ...]] | None = None,
) -> Table:
    """Count the rows of ``frame``, one case a row, by the columns named like the dimensions.

    A row whose value is missing or not among a complete dimension's base values is an error: make it a category.
    Rows outside a dimension that is not complete are not counted.
    """
    layout = Layout(tuple(dimensions), MappingProxyType(dict(scope or {})))
    for dimension in layout.dimensions:
        inside = frame[dimension.name].is_in(list(dimension.base)).fill_null(value=False)
        if dimension.complete and not bool(inside.all()):
            outside = number_of(int((~inside).sum()), "case has", "cases have")
            found = f"{outside} no declared value of {dimension.name}."
            raise RequestError(
                found, where=f"table {name}", expected="a category for every case", remedy="add the category"
            )
        frame = frame.filter(inside)
    columns = [dimension.name for dimension in layout.dimensions]
    counted = frame.group_by(columns).len() if columns else pl.DataFrame({"len": [frame.height]})
    return Table(name, layout, {tuple(row[:-1]): int(row[-1]) for row in counted.iter_rows()})


def table_of_shares(
    *,
    name: str,
    dimensions: Sequence[Dimension],
    rows: Mapping[tuple[str, ...], tuple[int, int]],
    outcome: str = "adverse",
    cases: str = "cases",
    scope: Mapping[str, tuple[str, ...]] | None = None,
) -> Table:
    """A table with two counts a row, cases and those of them with an outcome.

    Rows: key of base values -> (cases with the outcome, all cases). The cases without the outcome are not shown but are
    protected as well, since they can be worked out.
    """
    other = f"not {outcome}"
    last = Dimension("count", MappingProxyType({outcome: (outcome,), cases: (outcome, other)}))
    counts: dict[tuple[str, ...], int] = {}
    for key, (with_outcome, total) in rows.items():
        counts[(*key, outcome)] = with_outcome
        counts[(*key, other)] = total - with_outcome
    return Table(name, Layout((*dimensions, last), MappingProxyType(dict(scope or {}))), counts)
