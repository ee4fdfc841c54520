"""A table of counts before anything is hidden: for the owner of the cases only."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from types import MappingProxyType

import polars as pl

from warehouse.disclosure.layout import Dimension, Layout
from warehouse.errors import RequestError
from warehouse.plural import number_of


@dataclass(frozen=True, slots=True)
class Table:
    """Counts of cases."""

    name: str  # What the table is called in a ledger and in messages
    layout: Layout  # Dimensions and scope
    counts: Mapping[tuple[str, ...], int]  # Key of base values -> cases; a key that is missing stands for 0

    def __post_init__(self) -> None:
        known = set(self.layout.base_keys())
        if set(self.counts) - known or any(count < 0 for count in self.counts.values()):
            found = "A count below zero or for categories the table does not have."
            raise RequestError(
                found, where=f"table {self.name}", expected="counts of declared base values", remedy="check the input"
            )

    @classmethod
    def from_frame(
        cls,
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
        return cls(name, layout, {tuple(row[:-1]): int(row[-1]) for row in counted.iter_rows()})

    @classmethod
    def of_shares(
        cls,
        *,
        name: str,
        dimensions: Sequence[Dimension],
        rows: Mapping[tuple[str, ...], tuple[int, int]],
        outcome: str = "adverse",
        cases: str = "cases",
        scope: Mapping[str, tuple[str, ...]] | None = None,
    ) -> Table:
        """A table with two counts a row, cases and those of them with an outcome.

        Args:
            name: Name of the table.
            dimensions: What the rows are broken down by.
            rows: Key of base values -> (cases with the outcome, all cases).
            outcome: Heading of the first count.
            cases: Heading of the second.
            scope: Restrictions, as in ``Layout``.

        Returns:
            A table with a last dimension "count" of the two headings; the cases without the outcome are not shown
            but are protected as well, since they can be worked out.
        """
        other = f"not {outcome}"
        last = Dimension("count", MappingProxyType({outcome: (outcome,), cases: (outcome, other)}))
        counts: dict[tuple[str, ...], int] = {}
        for key, (with_outcome, total) in rows.items():
            counts[(*key, outcome)] = with_outcome
            counts[(*key, other)] = total - with_outcome
        return cls(name, Layout((*dimensions, last), MappingProxyType(dict(scope or {}))), counts)

    def count(self, *values: frozenset[str]) -> int:
        """Cases whose base values lie in these sets, one set a dimension."""
        return sum(self.counts.get(key, 0) for key in product(*values))

    def cell(self, key: tuple[str, ...]) -> int:
        """The count of a cell shown."""
        dimensions = zip(self.layout.dimensions, key, strict=True)
        return self.count(*(dimension.values(category) for dimension, category in dimensions))
