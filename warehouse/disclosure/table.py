"""A table of counts before anything is hidden: for the owner of the cases only."""

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import product

from warehouse.disclosure.layout import Layout
from warehouse.errors import RequestError


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

    def count(self, *values: frozenset[str]) -> int:
        """Cases whose base values lie in these sets, one set a dimension."""
        return sum(self.counts.get(key, 0) for key in product(*values))

    def cell(self, key: tuple[str, ...]) -> int:
        """The count of a cell shown."""
        return self.count(*self.layout.values(key))
