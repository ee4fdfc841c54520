"""How a table is laid out: its dimensions, their categories and totals, and the cases it is about."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import product
from types import MappingProxyType

from warehouse.errors import RequestError


@dataclass(frozen=True, slots=True)
class DerivedTotal:
    """A category nobody prints but anybody can work out: the sum of ``plus`` less the sum of ``minus``."""

    name: str
    values: frozenset[str]
    plus: tuple[str, ...]
    minus: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Dimension:
    """One way a table is broken down."""

    name: str  # The variable
    # Category shown -> the base values it covers, in the order shown. A total or subtotal is a category that
    # covers several. Base values are the finest ones in use, so that tables with other bands can be compared:
    # band "8-9" covers ages "8" and "9" where another table has single years.
    members: Mapping[str, tuple[str, ...]]
    # Whether every case in the table's scope has one of these base values. A category covering all of them then
    # means everybody.
    complete: bool = True

    @classmethod
    def of(cls, name: str, categories: Sequence[str], *, total: str | None = "all") -> Dimension:
        """A dimension of plain categories, with a total unless ``total`` is None."""
        members: dict[str, tuple[str, ...]] = {category: (category,) for category in categories}
        if total is not None:
            members[total] = tuple(categories)
        return cls(name, MappingProxyType(members))

    @property
    def base(self) -> tuple[str, ...]:
        """Every base value once, in order of first appearance."""
        return tuple(dict.fromkeys(value for values in self.members.values() for value in values))

    def values(self, category: str) -> frozenset[str]:
        """Base values of a category."""
        return frozenset(self.members[category])

    def derived(self) -> tuple[DerivedTotal, ...]:
        """Differences of nested categories, and the union of all, where no category shows them already.

        The differences of "cases" and "adverse" are the cases that are not adverse: a count like any other.
        """
        found: dict[frozenset[str], DerivedTotal] = {}
        shown = {self.values(category): category for category in self.members}
        for whole, wide in shown.items():
            for part, narrow in shown.items():
                rest = whole - part
                if part < whole and not self._is_sum(rest, shown) and rest not in found:
                    found[rest] = DerivedTotal(f"{wide} without {narrow}", rest, (wide,), (narrow,))
        everybody = frozenset(self.base)
        if everybody not in shown and sum(len(values) for values in shown) == len(everybody):
            found[everybody] = DerivedTotal("all listed", everybody, tuple(shown.values()), ())
        return tuple(found.values())

    def _is_sum(self, values: frozenset[str], shown: Mapping[frozenset[str], str]) -> bool:
        """Whether single categories shown add up to exactly these values; each of them is looked after itself."""
        inside = [other for other in shown if other <= values]
        return frozenset().union(*inside) == values


@dataclass(frozen=True, slots=True)
class Layout:
    """Dimensions of a table and the cases it is about."""

    dimensions: tuple[Dimension, ...]  # In the order of the keys
    # Variable -> base values, for variables that are not dimensions but restrict the table ("selection":
    # ("consecutive",)). A table made later from more cases is told apart by a variable of its own, such as
    # "loaded": ("2024",) first and ("2024", "2025") later; otherwise both count as the same cases.
    scope: Mapping[str, tuple[str, ...]] = field(default_factory=lambda: MappingProxyType({}))

    def __post_init__(self) -> None:
        names = [dimension.name for dimension in self.dimensions]
        clash = sorted({name for name in names if names.count(name) > 1} | (set(names) & set(self.scope)))
        if clash:
            found = f"The variable {', '.join(clash)} is used twice in one table."
            raise RequestError(found, expected="each variable once", remedy="leave one of the uses out")

    def values(self, key: Sequence[str]) -> list[frozenset[str]]:
        """Base values of a cell shown, one set a dimension."""
        return [dimension.values(category) for dimension, category in zip(self.dimensions, key, strict=True)]

    def keys(self) -> Iterator[tuple[str, ...]]:
        """Keys of all cells shown, the last dimension running fastest."""
        return product(*(dimension.members for dimension in self.dimensions))

    def base_keys(self) -> Iterator[tuple[str, ...]]:
        """Keys of the finest cells."""
        return product(*(dimension.base for dimension in self.dimensions))
