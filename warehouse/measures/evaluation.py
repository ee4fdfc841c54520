"""Evaluates formula objects for many tracings at once, with the reason wherever a value cannot be had.

One tracing is one position in every array. Work runs over blocks of tracings small enough to stay in the
processor's cache, so that lines shared by several measures are worked out once; there is no loop over cases.

Own code: general geometry libraries work on one shape at a time and know neither trade planes nor signs.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from warehouse.measures.blocks import Block, Flags, Floats, blocks
from warehouse.measures.formulae import (
    Distance,
    LandmarkFormula,
    LineThrough,
    Midpoint,
    PerpendicularRatio,
    PlaneAngle,
    Point,
    Projection,
    Ratio,
    Sum,
    VertexAngle,
)
from warehouse.measures.point_order import OrderFaults, find_order_faults


@dataclass(frozen=True, slots=True)
class Readings:
    """One measure for all tracings."""

    values: Floats  # Shape `(n,)`; NaN exactly where `reasons` is not 0
    reasons: NDArray[np.uint16]  # Shape `(n,)`; index into the texts of the `ReasonTexts` used


class ReasonTexts:
    """Gives each distinct reason a small number; 0 means that there is none."""

    __slots__ = ("_numbers",)

    def __init__(self) -> None:
        self._numbers: dict[str, int] = {"": 0}

    def number(self, text: str) -> int:
        """The number of a text, a new one if it was not met before."""
        return self._numbers.setdefault(text, len(self._numbers))

    @property
    def texts(self) -> tuple[str, ...]:
        """All texts, by number."""
        return tuple(self._numbers)


def _cross_and_dot(block: Block, first: LineThrough, second: LineThrough) -> tuple[Floats, Floats]:
    ux, uy = block.vector(first)
    vx, vy = block.vector(second)
    return ux * vy - uy * vx, ux * vx + uy * vy


def value_of(formula: LandmarkFormula, block: Block) -> Floats:
    """The formula's value for each tracing of a block, shape ``(m,)``; not finite where it has none."""
    match formula:
        case PlaneAngle(first, second):
            cross, dot = _cross_and_dot(block, second, first)
            return np.degrees(np.arctan2(cross, dot))
        case VertexAngle(first, second):
            cross, dot = _cross_and_dot(block, first, second)
            return np.degrees(np.arctan2(np.abs(cross), dot))
        case Distance(line):
            return np.sqrt(block.square(line))
        case Ratio(part, whole):
            return 100.0 * np.sqrt(block.square(part) / block.square(whole))
        case PerpendicularRatio():
            upper, lower = _heights(formula, block)
            return 100.0 * lower / (upper + lower)
        case Projection(span, plane, across):
            cross, dot = _cross_and_dot(block, plane, span)
            return (cross if across else dot) / np.sqrt(block.square(plane))
        case Sum(terms):
            total = np.zeros(block.size)
            for factor, term in terms:
                total += factor * value_of(term, block)
            return total


def _heights(formula: PerpendicularRatio, block: Block) -> tuple[Floats, Floats]:
    above, _ = _cross_and_dot(block, formula.plane, LineThrough(formula.plane.start, formula.upper))
    below, _ = _cross_and_dot(block, formula.plane, LineThrough(formula.plane.start, formula.lower))
    return above, -below


def _needs_length(formula: LandmarkFormula) -> tuple[LineThrough, ...]:
    """The lines that must have a length for the formula to have a value."""
    match formula:
        case Distance(_, may_touch):
            return () if may_touch else formula.lines
        case PerpendicularRatio(plane) | Projection(_, plane):
            return (plane,)
        case Sum(terms):
            return tuple(dict.fromkeys(line for _, part in terms for line in _needs_length(part)))
        case _:
            return formula.lines


def point_name(point: Point) -> str:
    """A point in words."""
    return f"the midpoint of {point.first} and {point.second}" if isinstance(point, Midpoint) else point


def listed(names: Iterable[str]) -> str:
    """Names joined in English: "A", "A and B", "A, B and C"."""
    *most, last = names
    return f"{', '.join(most)} and {last}" if most else last


class BlockEvaluator:
    """Evaluates measures on one block, keeping what they share."""

    __slots__ = ("_block", "_missing", "_nowhere", "_order", "_reasons")

    def __init__(self, block: Block, reasons: ReasonTexts) -> None:
        self._block = block
        self._reasons = reasons
        self._missing: dict[str, Flags | None] = {}
        self._nowhere: Floats = np.full(block.size, np.nan)
        self._order: OrderFaults = find_order_faults(block)

    def read(self, formula: LandmarkFormula) -> tuple[Floats, NDArray[np.uint16]]:
        """Values and reason numbers of one formula."""
        reasons = np.zeros(self._block.size, dtype=np.uint16)
        self._note_missing(formula, reasons)
        if not self._block.x.keys() >= set(formula.points):
            return self._nowhere, reasons
        values = value_of(formula, self._block)
        self._note_order(formula, reasons)
        self._note_no_length(formula, reasons)
        if isinstance(formula, PerpendicularRatio):
            self._note_same_side(formula, reasons)
        self._note(reasons, ~np.isfinite(values), "the coordinates are not usable numbers")
        values[reasons != 0] = np.nan
        return values, reasons

    def _note(self, reasons: NDArray[np.uint16], where: Flags, text: str) -> None:
        where = where & (reasons == 0)
        if where.any():
            reasons[where] = self._reasons.number(f"not measurable: {text}")

    def _note_missing(self, formula: LandmarkFormula, reasons: NDArray[np.uint16]) -> None:
        gaps = [(code, self._gap(code)) for code in formula.points]
        held = [(code, flags) for code, flags in gaps if flags is not None]
        if not held:
            return
        pattern = np.zeros(self._block.size, dtype=np.int64)
        for bit, (_, flags) in enumerate(held):
            pattern |= flags.astype(np.int64) << bit
        low, high = int(pattern.min()), int(pattern.max())
        kinds = [low] if low == high else np.unique(pattern).tolist()
        for found in filter(None, kinds):
            lost = [code for bit, (code, _) in enumerate(held) if found >> bit & 1]
            self._note(reasons, pattern == found, f"{listed(lost)} missing")

    def _gap(self, code: str) -> Flags | None:
        if code not in self._missing:
            self._missing[code] = self._block.missing(code)
        return self._missing[code]

    def _note_order(self, formula: LandmarkFormula, reasons: NDArray[np.uint16]) -> None:
        for fault in self._order.touching(formula.points):
            self._note(reasons, fault.where, fault.text)

    def _note_same_side(self, formula: PerpendicularRatio, reasons: NDArray[np.uint16]) -> None:
        upper, lower = _heights(formula, self._block)
        plane = f"{point_name(formula.plane.start)}-{point_name(formula.plane.end)}"
        text = f"{formula.upper} and {formula.lower} do not lie above and below {plane}"
        self._note(reasons, ~((upper > 0.0) & (lower > 0.0)), text)

    def _note_no_length(self, formula: LandmarkFormula, reasons: NDArray[np.uint16]) -> None:
        for line in _needs_length(formula):
            flags = self._block.no_length(line)
            if flags.any():
                names = f"{point_name(line.start)} and {point_name(line.end)}"
                self._note(reasons, flags, f"{names} lie on one spot")


def evaluate(
    x: Mapping[str, Floats],
    y: Mapping[str, Floats],
    formulas: Sequence[LandmarkFormula],
    *,
    size: int,
    reasons: ReasonTexts,
) -> list[Readings]:
    """Evaluate formulas for all tracings.

    ``x``: landmark code -> forward coordinate, shape ``(n,)``; NaN where missing. The face looks to the right. ``y``:
    landmark code -> upward coordinate, shape ``(n,)``; NaN where missing. ``size``: the number of tracings n. Gives one
    :class:`Readings` a formula, in order. n = 0 gives empty arrays.
    """
    readings = [Readings(np.empty(size), np.zeros(size, dtype=np.uint16)) for _ in formulas]
    with np.errstate(all="ignore"):
        for part, block in blocks(x, y, size):
            evaluator = BlockEvaluator(block, reasons)
            for formula, reading in zip(formulas, readings, strict=True):
                reading.values[part], reading.reasons[part] = evaluator.read(formula)
    return readings
