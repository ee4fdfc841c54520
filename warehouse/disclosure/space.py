"""The finest cells that a set of tables can tell apart, and each published cell as a sum of them.

Tables over the same cases are sums of one set of unseen counts: the cross of all their variables. Base values that no
table tells apart are merged first. The whole cross is not needed: where tables meet in a tree of variables, whole
numbers for each block of variables that agree in what two blocks share always come from some cases (decomposable
tables can be put together; Lauritzen 1996, Graphical Models, from memory). So a block is crossed by itself, and what
blocks share is linked; tables that meet in a circle are one block.
"""

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import reduce
from itertools import combinations, product

import numpy as np
from numpy.typing import NDArray

from warehouse.disclosure.layout import Dimension, Layout
from warehouse.errors import RequestError

Row = NDArray[np.int8]
Sets = Mapping[str, frozenset[str]]

MOST_ATOMS = 8_000
_OTHER = "\x00any other value"


@dataclass(frozen=True, slots=True)
class Space:
    """Variables, for each the classes of base values that some table tells apart, and the blocks that are crossed."""

    classes: Mapping[str, tuple[frozenset[str], ...]]
    blocks: tuple[frozenset[str], ...]  # Each later one holds what an earlier one shares with all that follow it

    @property
    def size(self) -> int:
        """Number of finest cells."""
        return sum(map(self._size, self.blocks))

    def named(self, sets: Sets) -> dict[str, frozenset[str]]:
        """What restricts a cell: the sets without those that hold every value of their variable."""
        return {name: own for name, own in sets.items() if not all(one <= own for one in self.classes[name])}

    def row(self, sets: Sets) -> Row:
        """The finest cells that make up a cell, as 0/1, shape ``(size,)``; a variable not named is not restricted."""
        named = self.named(sets)
        return self._row(named, next(block for block in self.blocks if block.issuperset(named)))

    def links(self) -> Row:
        """The sums that two blocks share, each less the other, so that all are 0; shape ``(links, size)``."""
        found = []
        for shared, block, other in _meetings(self.blocks):
            for chosen in product(*(self.classes[name] for name in shared)):
                named = dict(zip(shared, chosen, strict=True))
                found.append(self._row(named, block) - self._row(named, other))
        return np.array(found, dtype=np.int8).reshape(len(found), self.size)

    def _size(self, block: frozenset[str]) -> int:
        return math.prod(len(self.classes[name]) for name in block)

    def _row(self, named: Sets, block: frozenset[str]) -> Row:
        parts = [
            np.array([name not in named or own <= named[name] for own in classes], dtype=np.int8)
            for name, classes in self.classes.items()
            if name in block
        ]
        place = self.blocks.index(block)
        row = np.zeros(self.size, dtype=np.int8)
        start = sum(map(self._size, self.blocks[:place]))
        row[start : start + self._size(block)] = reduce(np.multiply.outer, parts, np.ones((), dtype=np.int8)).ravel()
        return row


def within(part: Sets, whole: Sets) -> bool:
    """Whether a cell named so lies within another."""
    return all(name in part and part[name] <= own for name, own in whole.items())


def blocks_of(parts: Sequence[frozenset[str]], size: Callable[[frozenset[str]], int]) -> tuple[frozenset[str], ...]:
    """Blocks that hold the variables of each part and meet in a tree (reduction of Graham, Yu and Ozsoyoglu)."""
    left, ordered = _largest(parts), []
    while len(left) > 1:
        ear = next((one for one in left if _is_ear(one, left)), None)
        if ear is not None:
            ordered.append(ear)
            left.remove(ear)
        else:
            joined = min((one | other for one, other in combinations(left, 2)), key=size)
            left = _largest([*left, joined])
    return (*ordered, *left)


def _largest(parts: Sequence[frozenset[str]]) -> list[frozenset[str]]:
    return [one for one in dict.fromkeys(parts) if not any(one < other for other in parts)]


def _is_ear(one: frozenset[str], left: Sequence[frozenset[str]]) -> bool:
    others = [other for other in left if other != one]
    return any(one & frozenset().union(*others) <= other for other in others)


def _meetings(blocks: Sequence[frozenset[str]]) -> Iterator[tuple[list[str], frozenset[str], frozenset[str]]]:
    """Each block but the last, with what it shares with those that follow and the one of them that holds it."""
    for i, block in enumerate(blocks[:-1]):
        later = blocks[i + 1 :]
        shared = block & frozenset().union(*later)
        yield sorted(shared), block, next(other for other in later if shared <= other)


def space_of(layouts: Sequence[Layout], guarded: Sequence[Sets] = ()) -> Space:
    """The space of all tables and guarded cases; RequestError where it is too large to check, so nothing may leave."""
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
    parts = [frozenset([*(one.name for one in layout.dimensions), *layout.scope]) for layout in layouts]
    parts += [frozenset(named) for named in guarded]
    space = Space(classes, blocks_of(parts, lambda block: math.prod(len(classes[name]) for name in block)))
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
