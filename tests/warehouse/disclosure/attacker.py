"""The attack that a protected table has to stand: what can be worked out about its hidden cells.

Its sums and its solver are its own: the whole cross of all variables, never the blocks the engine works with, and the
mixed-integer solver of scipy (HiGHS) asked without any help. And tables to attack, made from rows of cases or from
pairs of counts.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from types import MappingProxyType

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array

from warehouse.disclosure import Dimension, Guard, Layout, Release, Table
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


Sets = Mapping[str, frozenset[str]]
MOST_CELLS = 40_000
PLENTY = 1e6


class Attack:
    """Everything these releases say, as one system over the cross of all their variables.

    The reader is taken to know the rule: that a cell "fewer than 5" is from 1 to 4, that a withheld cell is not
    smaller than ``withheld_from`` says, that rounded counts were rounded as stated, and that counts are whole numbers.
    ``besides`` are counts the reader has from elsewhere: the cases, and how many there are.
    """

    def __init__(self, releases: Sequence[Release], besides: Sequence[tuple[Sets, int]] = ()) -> None:
        self.releases = releases
        layouts = [one.layout for one in releases]
        named = [_sets(one.layout, key) for one in releases for key in one.cells]
        named += [sets for one in releases for guard in one.guards for sets in (guard.whole, guard.less or {})]
        named += [sets for sets, _ in besides]
        self.values: dict[str, list[str]] = {}
        for name in dict.fromkeys(name for sets in named for name in sets):
            values = sorted({value for sets in named for value in sets.get(name, ())})
            closed = any(one.name == name and one.complete for layout in layouts for one in layout.dimensions)
            bases = {v for layout in layouts for one in layout.dimensions if one.name == name for v in one.base}
            self.values[name] = sorted({*values, *bases}) + ([] if closed else ["any other"])
        self.splits = {name: {sets[name] for sets in named if name in sets} for name in self.values}
        self.groups = {
            name: list({tuple(v in split for split in self.splits[name]): v for v in values}.values())
            for name, values in self.values.items()
        }
        self.size = math.prod(len(values) for values in self.groups.values())
        assert self.size <= MOST_CELLS, self.size
        rows = [self.row(_sets(one.layout, key)) for one in releases for key in one.cells]
        ends = [one.bounds(key) for one in releases for key in one.cells]
        rows += [self.row(sets) for sets, _ in besides]
        ends += [(n, n) for _, n in besides]
        self.sums = csr_array(np.array(rows, dtype=float).reshape(len(rows), self.size))
        self.ends = np.array(ends, dtype=float).reshape(len(rows), 2)
        self.fillings: list[NDArray[np.float64]] = []

    def row(self, sets: Sets) -> NDArray[np.float64]:
        """A cell as a sum of the cross; one value stands for all that no table tells apart."""
        found = [all(value in sets.get(name, {value}) for name, value in cell) for cell in self._cells()]
        return np.array(found, dtype=float)

    def _cells(self) -> Iterable[list[tuple[str, str]]]:
        names = list(self.groups)
        return ([*zip(names, cell, strict=True)] for cell in product(*self.groups.values()))

    def range(self, row: NDArray[np.float64], table: str, key: tuple[str, ...], label: str) -> CellRange:
        """The smallest and the largest count that fits everything known."""
        low, high = self._end(row, 1.0), self._end(row, -1.0)
        return CellRange(table, key, label, low, math.inf if high >= PLENTY else high)

    def _end(self, row: NDArray[np.float64], sign: float) -> float:
        """The smallest count (``sign`` 1) or the largest (-1); how the cross is filled then is kept."""
        found = milp(
            sign * row,
            integrality=np.ones(self.size),
            bounds=Bounds(0, PLENTY),
            constraints=LinearConstraint(self.sums, self.ends[:, 0], self.ends[:, 1]),
        )
        if found.status != 0:
            message = "No counts fit all of these tables together."
            raise RequestError(message, expected="tables that agree", remedy="give other cases a scope of their own")
        filled = np.rint(found.x)
        sums = self.sums @ filled
        if (filled >= 0).all() and (self.ends[:, 0] <= sums).all() and (sums <= self.ends[:, 1]).all():
            self.fillings.append(filled)
        return float(round(sign * found.fun))

    def hidden(self) -> tuple[CellRange, ...]:
        """Range of every hidden cell."""
        return tuple(self.range(*asked) for asked in self._hidden())

    def guarded(self) -> tuple[CellRange, ...]:
        """Range of every count the releases guard, printed or not; the key says which cases it counts."""
        return tuple(self.range(*asked) for asked in self._guarded())

    def left_open(self) -> tuple[CellRange, ...]:
        """Of every hidden cell and guarded count two counts that fit everything known, or the one that alone does.

        The solver is asked only where no two fillings that it gave before, each held against everything known, differ
        in this count: one that nothing leaves open is found as surely as by ``range``, and most others are for nothing.
        """
        return tuple(self._left_open(*asked) for asked in (*self._hidden(), *self._guarded()))

    def _left_open(self, row: NDArray[np.float64], table: str, key: tuple[str, ...], label: str) -> CellRange:
        fit = {float(row @ filled) for filled in self.fillings}
        for sign in (1.0, -1.0):
            if len(fit) < 2:
                fit.add(self._end(row, sign))
        return CellRange(table, key, label, min(fit), max(fit))

    def _hidden(self) -> Iterable[tuple[NDArray[np.float64], str, tuple[str, ...], str]]:
        for one in self.releases:
            for key, cell in one.cells.items():
                if cell.state != "shown":
                    yield self.row(_sets(one.layout, key)), one.name, key, cell.shown

    def _guarded(self) -> Iterable[tuple[NDArray[np.float64], str, tuple[str, ...], str]]:
        for one in self.releases:
            for guard in one.guards:
                row = self.row(guard.whole) - self.row(guard.less or {}) * (guard.less is not None)
                yield row, one.name, (_label_of(guard),), "guarded"


def attack(releases: Sequence[Release]) -> tuple[CellRange, ...]:
    """Range of every hidden cell, by integer programming over all tables at once."""
    return Attack(releases).hidden()


def attack_guarded(releases: Sequence[Release]) -> tuple[CellRange, ...]:
    """Range of every count the releases guard."""
    return Attack(releases).guarded()


def left_open(releases: Sequence[Release]) -> tuple[CellRange, ...]:
    """Of every hidden cell and every count the releases guard two counts that fit, or the one that alone does."""
    return Attack(releases).left_open()


def _sets(layout: Layout, key: tuple[str, ...]) -> dict[str, frozenset[str]]:
    """What a cell says of each variable; all base values of a complete dimension say nothing."""
    found = {name: frozenset(values) for name, values in layout.scope.items()}
    for dimension, category in zip(layout.dimensions, key, strict=True):
        own = dimension.values(category)
        if not (dimension.complete and own == frozenset(dimension.base)):
            found[dimension.name] = own
    return found


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
