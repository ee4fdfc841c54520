"""A block of tracings: coordinates by landmark, and the lines worked out from them."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from warehouse.measures.formulae import LineThrough, Midpoint, Point

Floats: TypeAlias = NDArray[np.float64]
Flags: TypeAlias = NDArray[np.bool_]

#: Tracings worked on at a time: their coordinates and lines fit the processor's cache.
BLOCK = 1 << 14
#: Two points closer than this (in the unit of the points) are one spot.
SAME_SPOT = 1e-6


@dataclass(slots=True)
class Block:
    """A run of tracings: coordinates by landmark, with the lines already worked out."""

    x: Mapping[str, Floats]  # Landmark code -> forward coordinate, shape `(m,)`; NaN where the point is missing
    y: Mapping[str, Floats]  # Landmark code -> upward coordinate, shape `(m,)`
    size: int  # Number of tracings `m`
    _vectors: dict[LineThrough, tuple[Floats, Floats]] = field(default_factory=dict)
    _squares: dict[LineThrough, Floats] = field(default_factory=dict)

    def point(self, point: Point) -> tuple[Floats, Floats]:
        """Coordinates of a landmark or of a midpoint."""
        if isinstance(point, Midpoint):
            (ax, ay), (bx, by) = self.point(point.first), self.point(point.second)
            return (ax + bx) / 2.0, (ay + by) / 2.0
        return self.x[point], self.y[point]

    def vector(self, line: LineThrough) -> tuple[Floats, Floats]:
        """End minus start."""
        found = self._vectors.get(line)
        if found is None:
            (ax, ay), (bx, by) = self.point(line.start), self.point(line.end)
            found = self._vectors[line] = (bx - ax, by - ay)
        return found

    def square(self, line: LineThrough) -> Floats:
        """Squared length."""
        found = self._squares.get(line)
        if found is None:
            dx, dy = self.vector(line)
            found = self._squares[line] = dx * dx + dy * dy
        return found

    def no_length(self, line: LineThrough) -> Flags:
        """Where both ends lie on one spot."""
        flags: Flags = self.square(line) < SAME_SPOT * SAME_SPOT
        return flags

    def missing(self, code: str) -> Flags | None:
        """Where a landmark is missing; None if it is missing nowhere in the block."""
        if code not in self.x:
            return np.ones(self.size, dtype=np.bool_)
        flags = np.isnan(self.x[code]) | np.isnan(self.y[code])
        return flags if flags.any() else None


def blocks(x: Mapping[str, Floats], y: Mapping[str, Floats], size: int) -> Iterator[tuple[slice, Block]]:
    """The tracings in runs of ``BLOCK``, each with its place."""
    for start in range(0, size, BLOCK):
        part = slice(start, min(start + BLOCK, size))
        held_x, held_y = ({code: column[part] for code, column in axis.items()} for axis in (x, y))
        yield part, Block(held_x, held_y, part.stop - part.start)
