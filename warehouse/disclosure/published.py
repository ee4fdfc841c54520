"""What is shown of a table, and the record of it that later tables are checked against."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any, Literal

from warehouse.disclosure.layout import Dimension, Layout
from warehouse.disclosure.policy import Policy
from warehouse.errors import BadFileError, RequestError

State = Literal["shown", "small", "withheld"]

WITHHELD = "withheld"


@dataclass(frozen=True, slots=True)
class Count:
    """One cell as shown."""

    # `shown`; `small` (its label says fewer than the minimum); `withheld` (hidden so that another cannot be
    # worked out)
    state: State
    shown: str  # The text for it: "12", "0", "fewer than 5", "withheld"
    value: int | None  # The count shown (rounded where the policy rounds), or None

    @classmethod
    def of(cls, n: int) -> Count:
        """A count shown as it is."""
        return cls("shown", f"{n:,}", n)

    @property
    def n(self) -> int:
        """The count, for what may see it; an error of the program where it is hidden."""
        if self.value is None:
            raise ValueError("a hidden count was asked for")
        return self.value


HIDDEN = Count("withheld", WITHHELD, None)


@dataclass(frozen=True, slots=True)
class Guard:
    """A count that must stay unknown, whatever is published later."""

    # Variable -> base values of the cases counted; a variable not named is not restricted
    whole: Mapping[str, frozenset[str]]
    # Cases to take off, named likewise, or None: the guard of a difference of two cells
    less: Mapping[str, frozenset[str]] | None = None

    def to_dict(self) -> dict[str, Any]:
        """The guard as plain data."""
        return {"whole": _listed(self.whole), "less": None if self.less is None else _listed(self.less)}

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Guard:
        """A guard from plain data."""
        less = data["less"]
        return cls(_sets(data["whole"]), None if less is None else _sets(less))


@dataclass(frozen=True, slots=True)
class Release:
    """A table as it was published, and which counts it must never give away.

    The cells are what the reader saw. The guards say which hidden or unprinted counts are small, though not how
    small, so a ledger of releases stays with its owner.
    """

    name: str  # Name of the table
    layout: Layout  # Its dimensions and scope
    policy: Policy  # The rule it was made by
    cells: Mapping[tuple[str, ...], Count]  # Key -> cell
    withheld_from: int  # The smallest count a withheld cell can be, as a reader who knows the rule can tell
    guards: tuple[Guard, ...] = ()  # Counts that must stay unknown

    def bounds(self, key: tuple[str, ...]) -> tuple[float, float]:
        """Lowest and highest count a reader can take the cell to be, from its own label alone."""
        cell = self.cells[key]
        if cell.state == "small":
            return 1, self.policy.minimum - 1
        if cell.state == "withheld" or cell.value is None:
            return self.withheld_from, float("inf")
        return self.policy.bounds_of(cell.value)

    def told_as(self, variable: str, new: str, values: Mapping[str, tuple[str, ...]] | None = None) -> Release:
        """The release with a variable under another name and its base values told as others (itself where None).

        Cells and guards that would then be about other cases are left out.
        """

        def told(own: Iterable[str]) -> frozenset[str] | None:
            if values is None:
                return frozenset(own)
            found = frozenset(one for value in own for one in values.get(value, ()))
            whole = {value for value, others in values.items() if found & {*others}}
            return found if found and whole <= {*own} <= values.keys() else None

        def sets(named: Mapping[str, frozenset[str]] | None) -> Mapping[str, frozenset[str]] | None:
            if named is None or variable not in named:
                return named
            image = told(named[variable])
            return {**{name: own for name, own in named.items() if name != variable}, new: image or frozenset()}

        at = [one.name for one in self.layout.dimensions].index(variable)
        old = self.layout.dimensions[at]
        members = {name: tuple(sorted(image)) for name, own in old.members.items() if (image := told(own))}
        dimension = replace(old, name=new, members=MappingProxyType(members))
        dimensions = (*self.layout.dimensions[:at], dimension, *self.layout.dimensions[at + 1 :])
        guards = [Guard(sets(one.whole) or {}, sets(one.less)) for one in self.guards]
        return replace(
            self,
            layout=replace(self.layout, dimensions=dimensions),
            cells={key: cell for key, cell in self.cells.items() if key[at] in members},
            guards=tuple(one for one in guards if all((one.whole.get(new, 1), (one.less or {}).get(new, 1)))),
        )

    def to_dict(self) -> dict[str, Any]:
        """The release as plain data for a ledger file."""
        return {
            "name": self.name,
            "dimensions": [
                {
                    "name": dimension.name,
                    "complete": dimension.complete,
                    "members": [[category, list(values)] for category, values in dimension.members.items()],
                }
                for dimension in self.layout.dimensions
            ],
            "scope": {name: list(values) for name, values in self.layout.scope.items()},
            "policy": {name: getattr(self.policy, name) for name in ("minimum", "round_to", "mean_minimum")},
            "cells": [[list(key), cell.state, cell.value] for key, cell in self.cells.items()],
            "withheld_from": self.withheld_from,
            "guards": [guard.to_dict() for guard in self.guards],
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Release:
        """A release from a ledger file; anything missing or out of place is refused as a whole."""
        try:
            policy = Policy(**data["policy"])
            dimensions = tuple(
                Dimension(
                    one["name"],
                    MappingProxyType({category: tuple(values) for category, values in one["members"]}),
                    bool(one["complete"]),
                )
                for one in data["dimensions"]
            )
            scope = {name: tuple(values) for name, values in data["scope"].items()}
            layout = Layout(dimensions, MappingProxyType(scope))
            cells = {tuple(key): make_cell(state, value, policy) for key, state, value in data["cells"]}
            name, withheld_from = str(data["name"]), int(data["withheld_from"])
            guards = tuple(Guard.from_dict(one) for one in data["guards"])
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            found = f"A ledger entry that cannot be read ({type(error).__name__})."
            raise BadFileError(
                found, expected="an entry as written by to_dict", remedy="restore the ledger from its copy"
            ) from error
        if set(cells) != set(layout.keys()):
            found = "A ledger entry whose cells do not fit its dimensions."
            raise BadFileError(found, where=name, expected="one cell a key", remedy="restore the ledger")
        return cls(name, layout, policy, MappingProxyType(cells), withheld_from, guards)


@dataclass(frozen=True, slots=True)
class ProtectedTable:
    """A table that may leave, or the reason why it may not."""

    release: Release  # What is shown
    refused: str  # Why nothing of the table may be shown, or the empty string
    notes: tuple[str, ...]  # Sentences to print below the table: what is hidden and how it was checked

    @property
    def cells(self) -> Mapping[tuple[str, ...], Count]:
        """Key -> cell, in the order of the layout."""
        return self.release.cells

    def cell(self, *key: str) -> Count:
        """The cell of one category a dimension."""
        if key not in self.cells:
            found = "No such cell in this table."
            raise RequestError(
                found, where=f"table {self.release.name}", expected="one category a dimension", remedy="check the key"
            )
        return self.cells[key]


def make_cell(state: State, value: int | None, policy: Policy) -> Count:
    """A cell with the text that belongs to its state."""
    if state == "small":
        return Count("small", policy.small_label, None)
    if state == "withheld":
        return HIDDEN
    if state != "shown" or not isinstance(value, int):
        raise ValueError("a cell that is neither shown with a value nor hidden")
    return Count("shown", str(value), value)


def _listed(sets: Mapping[str, frozenset[str]]) -> dict[str, list[str]]:
    return {name: sorted(values) for name, values in sets.items()}


def _sets(data: Mapping[str, Any]) -> Mapping[str, frozenset[str]]:
    return MappingProxyType({str(name): frozenset(values) for name, values in data.items()})
