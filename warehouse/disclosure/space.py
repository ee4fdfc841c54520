"""The finest cells that a set of tables can tell apart, and each published cell as a sum of them.

Two tables over the same cases are sums of one set of unseen counts: the cross of all their variables. Base values
that no table tells apart are merged first, so that the set stays as small as it can be.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import reduce

import numpy as np
from numpy.typing import NDArray

from warehouse.disclosure.layout import Dimension, Layout
from warehouse.errors import RequestError

Row = NDArray[np.int8]

MOST_ATOMS = 8_000
_OTHER = "\x00any other value"


@dataclass(frozen=True, slots=True)
class Space:
    """Variables in a fixed order and, for each, the classes of base values that some table tells apart."""

    classes: Mapping[str, tuple[frozenset[str], ...]]

    @property
    def size(self) -> int:
        """Number of finest cells."""
        return math.prod(len(found) for found in self.classes.values())

    def row(self, sets: Mapping[str, frozenset[str]]) -> Row:
        """The finest cells that make up a cell, as 0/1, shape ``(size,)``; a variable not named is not restricted."""
        parts = [
            np.array([name not in sets or found <= sets[name] for found in classes], dtype=np.int8)
            for name, classes in self.classes.items()
        ]
        return reduce(np.multiply.outer, parts, np.ones((), dtype=np.int8)).ravel()


def space_of(layouts: Sequence[Layout], guarded: Sequence[Mapping[str, frozenset[str]]] = ()) -> Space:
    """The space of all tables together, fine enough for the guarded cases as well.

    Raises:
        RequestError: Too many variables have been combined to check them together; such a table must not leave.
    """
    universe: dict[str, dict[str, None]] = {}
    splits: dict[str, list[frozenset[str]]] = {}
    closed: dict[str, bool] = {}
    for layout in layouts:
        for dimension in layout.dimensions:
            universe.setdefault(dimension.name, {}).update(dict.fromkeys(dimension.base))
            sets = [literal_values(dimension, dimension.values(category)) for category in dimension.members]
            splits.setdefault(dimension.name, []).extend(one for one in sets if one is not None)
            closed[dimension.name] = closed.get(dimension.name, False) or dimension.complete
        for name, allowed in layout.scope.items():
            universe.setdefault(name, {}).update(dict.fromkeys(allowed))
            splits.setdefault(name, []).append(frozenset(allowed))
    for named in guarded:
        for name, own in named.items():
            universe.setdefault(name, {}).update(dict.fromkeys(sorted(own)))
            splits.setdefault(name, []).append(own)
    classes = {}
    for name, values in universe.items():
        everything = [*values] if closed.get(name, False) else [*values, _OTHER]
        classes[name] = _classes(everything, splits[name])
    space = Space(classes)
    if space.size > MOST_ATOMS:
        found = f"The tables published so far combine into {space.size} finest cells."
        raise RequestError(
            found,
            expected=f"at most {MOST_ATOMS}, so that all of them can be checked together",
            remedy="publish fewer breakdowns, or coarser ones",
        )
    return space


def literal_values(dimension: Dimension, values: frozenset[str]) -> frozenset[str] | None:
    """The values, or None where they cover a complete dimension and so restrict nothing."""
    return None if dimension.complete and values == frozenset(dimension.base) else values


def sets_of(layout: Layout, values: Sequence[frozenset[str]]) -> dict[str, frozenset[str]]:
    """What a cell restricts each variable to: its own values and the scope of its table."""
    found = {name: frozenset(allowed) for name, allowed in layout.scope.items()}
    for dimension, own in zip(layout.dimensions, values, strict=True):
        literal = literal_values(dimension, own)
        if literal is not None:
            found[dimension.name] = literal
    return found


def _classes(values: Sequence[str], splits: Sequence[frozenset[str]]) -> tuple[frozenset[str], ...]:
    groups: dict[tuple[bool, ...], set[str]] = {}
    for value in values:
        groups.setdefault(tuple(value in split for split in splits), set()).add(value)
    return tuple(frozenset(group) for group in groups.values())
