"""Formulas as data: which points and lines a measure is made of, and how they combine.

Nothing here computes; ``geometry`` evaluates these objects for all cases at once and ``drawing`` draws their
lines. Coordinates are meant as: x forwards, y upwards, the face looking right. Lines run from back to front, or
from a vertex outwards. Every angle is in degrees.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias


@dataclass(frozen=True, slots=True)
class Midpoint:
    """The point half-way between two landmarks."""

    first: str
    second: str


Point: TypeAlias = str | Midpoint


def codes_of(point: Point) -> tuple[str, ...]:
    """The landmark codes a point is made of."""
    return (point,) if isinstance(point, str) else (point.first, point.second)


@dataclass(frozen=True, slots=True)
class LineThrough:
    """A directed line from ``start`` to ``end``."""

    start: Point
    end: Point

    @property
    def points(self) -> tuple[str, ...]:
        """The landmark codes of both ends."""
        return codes_of(self.start) + codes_of(self.end)


def _distinct(*groups: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(code for group in groups for code in group))


@dataclass(frozen=True, slots=True)
class PlaneAngle:
    """Signed angle between two planes: direction of ``first`` minus direction of ``second``.

    Positive where the planes diverge in front, i.e. the second tips down in front of the first. Never made
    absolute: the palatal plane may tip either way. Range (-180, 180].
    """

    first: LineThrough
    second: LineThrough

    @property
    def lines(self) -> tuple[LineThrough, ...]:
        """The lines to draw."""
        return (self.first, self.second)

    @property
    def points(self) -> tuple[str, ...]:
        """The landmark codes needed."""
        return _distinct(self.first.points, self.second.points)


@dataclass(frozen=True, slots=True)
class VertexAngle:
    """Unsigned angle between two directions, 0 to 180 degrees: atan2(|u x v|, u . v)."""

    first: LineThrough
    second: LineThrough

    @property
    def lines(self) -> tuple[LineThrough, ...]:
        """The lines to draw."""
        return (self.first, self.second)

    @property
    def points(self) -> tuple[str, ...]:
        """The landmark codes needed."""
        return _distinct(self.first.points, self.second.points)


@dataclass(frozen=True, slots=True)
class Distance:
    """Straight distance between two points."""

    line: LineThrough  # From one point to the other
    # True where the two points may truly lie on one spot (closed lips): the value is then 0. Otherwise two points
    # on one spot are a tracing fault and the measure is not measurable.
    may_touch: bool = False

    @property
    def lines(self) -> tuple[LineThrough, ...]:
        """The lines to draw."""
        return (self.line,)

    @property
    def points(self) -> tuple[str, ...]:
        """The landmark codes needed."""
        return _distinct(self.line.points)


@dataclass(frozen=True, slots=True)
class Ratio:
    """100 x length of ``part`` / length of ``whole``."""

    part: LineThrough
    whole: LineThrough

    @property
    def lines(self) -> tuple[LineThrough, ...]:
        """The lines to draw."""
        return (self.part, self.whole)

    @property
    def points(self) -> tuple[str, ...]:
        """The landmark codes needed."""
        return _distinct(self.part.points, self.whole.points)


@dataclass(frozen=True, slots=True)
class PerpendicularRatio:
    """100 x lower / (upper + lower), both measured at right angles to ``plane``."""

    plane: LineThrough  # The dividing plane
    upper: str  # The point above it
    lower: str  # The point below it

    @property
    def lines(self) -> tuple[LineThrough, ...]:
        """The lines to draw."""
        return (self.plane, LineThrough(self.upper, self.lower))

    @property
    def points(self) -> tuple[str, ...]:
        """The landmark codes needed."""
        return _distinct(self.plane.points, (self.upper, self.lower))


@dataclass(frozen=True, slots=True)
class Projection:
    """Signed length of ``span`` seen along a plane, or across it (upwards positive)."""

    span: LineThrough  # From the point measured from to the point measured to
    plane: LineThrough  # The plane, running back to front
    across: bool = False  # False: component along the plane (forwards positive). True: at right angles to it.

    @property
    def lines(self) -> tuple[LineThrough, ...]:
        """The lines to draw."""
        return (self.plane, self.span)

    @property
    def points(self) -> tuple[str, ...]:
        """The landmark codes needed."""
        return _distinct(self.span.points, self.plane.points)


Geometric: TypeAlias = PlaneAngle | VertexAngle | Distance | Ratio | PerpendicularRatio | Projection


@dataclass(frozen=True, slots=True)
class Sum:
    """A signed sum of other formulas: each term is (factor, formula)."""

    terms: tuple[tuple[float, Geometric], ...]

    @property
    def lines(self) -> tuple[LineThrough, ...]:
        """The lines to draw."""
        return tuple(dict.fromkeys(line for _, part in self.terms for line in part.lines))

    @property
    def points(self) -> tuple[str, ...]:
        """The landmark codes needed."""
        return _distinct(*(part.points for _, part in self.terms))


@dataclass(frozen=True, slots=True)
class WeightedTotal:
    """A weighted total of other *measures* (not of landmarks): each term is (measure code, weight)."""

    terms: tuple[tuple[str, float], ...]

    @property
    def codes(self) -> tuple[str, ...]:
        """The measure codes needed."""
        return tuple(code for code, _ in self.terms)


LandmarkFormula: TypeAlias = Geometric | Sum
Formula: TypeAlias = LandmarkFormula | WeightedTotal
