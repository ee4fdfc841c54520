"""Formulas as data: which points and lines a measure is made of, and how they combine.

Nothing here computes; ``geometry`` evaluates these objects for all cases at once and ``drawing`` draws their
lines. Coordinates are meant as: x forwards, y upwards, the face looking right. Lines run from back to front, or
from a vertex outwards. Every angle is in degrees.
"""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from functools import partial
from typing import TypeAlias

from warehouse.measures.landmarks import LANDMARKS


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


@dataclass(frozen=True, slots=True)
class _OfLines:
    """A formula made of the lines that are its fields."""

    @property
    def lines(self) -> tuple[LineThrough, ...]:
        """The lines to draw."""
        values = (getattr(self, field.name) for field in fields(self))
        return tuple(value for value in values if isinstance(value, LineThrough))

    @property
    def points(self) -> tuple[str, ...]:
        """The landmark codes needed, each once."""
        return tuple(dict.fromkeys(code for line in self.lines for code in line.points))


@dataclass(frozen=True, slots=True)
class PlaneAngle(_OfLines):
    """Signed angle between two planes: direction of ``first`` minus direction of ``second``.

    Positive where the planes diverge in front, i.e. the second tips down in front of the first. Never made
    absolute: the palatal plane may tip either way. Range (-180, 180].
    """

    first: LineThrough
    second: LineThrough


@dataclass(frozen=True, slots=True)
class VertexAngle(_OfLines):
    """Unsigned angle between two directions, 0 to 180 degrees: atan2(|u x v|, u . v)."""

    first: LineThrough
    second: LineThrough


@dataclass(frozen=True, slots=True)
class Distance(_OfLines):
    """Straight distance between two points."""

    line: LineThrough  # From one point to the other
    # True where the two points may truly lie on one spot (closed lips): the value is then 0. Otherwise two points
    # on one spot are a tracing fault and the measure is not measurable.
    may_touch: bool = False


@dataclass(frozen=True, slots=True)
class Ratio(_OfLines):
    """100 x length of ``part`` / length of ``whole``."""

    part: LineThrough
    whole: LineThrough


@dataclass(frozen=True, slots=True)
class PerpendicularRatio(_OfLines):
    """100 x lower / (upper + lower), both measured at right angles to ``plane``."""

    plane: LineThrough  # The dividing plane
    upper: str  # The point above it
    lower: str  # The point below it

    @property
    def lines(self) -> tuple[LineThrough, ...]:
        """The plane, and the line from the upper to the lower point."""
        return (self.plane, LineThrough(self.upper, self.lower))


@dataclass(frozen=True, slots=True)
class Projection(_OfLines):
    """Signed length of ``span`` seen along a plane, or across it (upwards positive)."""

    span: LineThrough  # From the point measured from to the point measured to
    plane: LineThrough  # The plane, running back to front
    across: bool = False  # False: component along the plane (forwards positive). True: at right angles to it.

    @property
    def lines(self) -> tuple[LineThrough, ...]:
        """The plane, below the line seen along it."""
        return (self.plane, self.span)

    @property
    def points(self) -> tuple[str, ...]:
        """The landmark codes needed, those measured first."""
        return tuple(dict.fromkeys(self.span.points + self.plane.points))


Geometric: TypeAlias = PlaneAngle | VertexAngle | Distance | Ratio | PerpendicularRatio | Projection


@dataclass(frozen=True, slots=True)
class Sum(_OfLines):
    """A signed sum of other formulas: each term is (factor, formula)."""

    terms: tuple[tuple[float, Geometric], ...]

    @property
    def lines(self) -> tuple[LineThrough, ...]:
        """The lines of all terms, each once."""
        return tuple(dict.fromkeys(line for _, part in self.terms for line in part.lines))


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


# Word -> (what it makes, its arguments: l a line, p a point, unit)
_KINDS: Mapping[str, tuple[Callable[..., Geometric], str, str]] = {
    "planes": (PlaneAngle, "ll", "degrees"),
    "vertex": (VertexAngle, "ll", "degrees"),
    "distance": (Distance, "l", "mm"),
    "gap": (partial(Distance, may_touch=True), "l", "mm"),
    "ratio": (Ratio, "ll", "percent"),
    "perpendicular_ratio": (PerpendicularRatio, "lpp", "percent"),
    "along": (Projection, "ll", "mm"),
    "across": (partial(Projection, across=True), "ll", "mm"),
}
_TERM = re.compile(r"\s*([+-]?)\s*(\w+)\s*\(([^()]*)\)\s*")
MOST_TERMS = 10


def formula_from(text: str, totals: Mapping[str, WeightedTotal]) -> Formula:
    """The formula a text of ``measures.toml`` states; the head of that file has the notation.

    Raises ValueError: the text is no formula; the message says what was found and what was expected.
    """
    whole = re.fullmatch(r"total\((\w+)\)", text.strip())
    if whole and whole[1] in totals:
        return totals[whole[1]]
    parsed = _terms(text)
    if len({unit for _, _, unit in parsed}) > 1:
        raise ValueError("its terms differ in unit, so that they cannot be added")
    parts = tuple((sign, part) for sign, part, _ in parsed)
    return parts[0][1] if len(parts) == 1 and parts[0][0] > 0 else Sum(parts)


def unit_of(text: str) -> str:
    """The unit of what a formula makes: degrees, mm or percent."""
    return _terms(text)[0][2]


def _terms(text: str) -> list[tuple[float, Geometric, str]]:
    terms: list[tuple[float, Geometric, str]] = []
    place = 0
    while place < len(text):
        found = _TERM.match(text, place)
        if found is None or (terms and not found[1]):
            raise ValueError(f"{text[place : place + 30].strip()!r} is not a term such as planes(S-N, Go-Me)")
        place = found.end()
        terms.append((-1.0 if found[1] == "-" else 1.0, *_term(found[2], found[3].split(","))))
    if not 1 <= len(terms) <= MOST_TERMS:
        raise ValueError(f"it has {len(terms)} terms, and from 1 to {MOST_TERMS} are understood")
    return terms


def _term(word: str, inside: list[str]) -> tuple[Geometric, str]:
    if word not in _KINDS:
        raise ValueError(f"{word!r} is none of {', '.join(_KINDS)}")
    kind, wanted, unit = _KINDS[word]
    if len(inside) != len(wanted):
        raise ValueError(f"{word} takes {len(wanted)} arguments, not {len(inside)}")
    return kind(
        *(_line(one) if what == "l" else _landmark(one) for what, one in zip(wanted, inside, strict=True))
    ), unit


def lines_of(text: str) -> tuple[LineThrough, ...]:
    """Lines between landmarks from their notation, such as ``S-N Go-Me``; ValueError where one is none."""
    return tuple(map(_line, text.split()))


def _line(text: str) -> LineThrough:
    ends = text.split("-")
    if len(ends) != 2:
        raise ValueError(f"{text.strip()!r} is not a line such as S-N")
    return LineThrough(*map(_point, ends))


def _point(text: str) -> Point:
    first, slash, second = text.partition("/")
    return Midpoint(_landmark(first), _landmark(second)) if slash else _landmark(first)


def _landmark(text: str) -> str:
    code = text.strip()
    if code not in LANDMARKS:
        raise ValueError(f"{code!r} is not a landmark: capitals matter, see the list of landmarks")
    return code
