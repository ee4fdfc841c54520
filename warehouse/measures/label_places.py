"""Finds a free place for each label of a drawing, so that no code lies on a point or on another code."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from warehouse.measures.svg_marks import Spot

Floats: TypeAlias = NDArray[np.float64]
Box: TypeAlias = tuple[float, float, float, float]

_LETTER, _HEIGHT, _MARKER, _STROKE = 7.4, 11.0, 5.0, 1.5
# (offset x, offset of the baseline, anchor), the most readable first.
_PLACES = (
    (8.0, -6.0, "start"),
    (8.0, 14.0, "start"),
    (-8.0, -6.0, "end"),
    (-8.0, 14.0, "end"),
    (9.0, 4.0, "start"),
    (-9.0, 4.0, "end"),
    (0.0, -10.0, "middle"),
    (0.0, 19.0, "middle"),
    (20.0, -14.0, "start"),
    (-20.0, -14.0, "end"),
    (20.0, 24.0, "start"),
    (-20.0, 24.0, "end"),
)


class LabelPlaces:
    """Hands out places on a page of drawn points (``markers``) and lines, remembering what is taken."""

    __slots__ = ("_taken",)

    def __init__(self, *, markers: Iterable[Spot], lines: Iterable[tuple[Spot, Spot]] = ()) -> None:
        boxes = [_around(spot, _MARKER) for spot in markers]
        boxes += [_around(spot, _STROKE) for line in lines for spot in _along(line)]
        self._taken = np.array(boxes, dtype=np.float64).reshape(-1, 4)

    def place(self, point: Spot, text: str) -> tuple[float, float, str]:
        """The place for a label: x, baseline y, anchor. The least crowded if none is quite free."""
        options = [(point[0] + dx, point[1] + dy, anchor) for dx, dy, anchor in _PLACES]
        boxes = np.array([_box(option, text) for option in options])
        best = int(np.argmin(_crowding(boxes, self._taken)))
        self._taken = np.vstack([self._taken, boxes[best]])
        return options[best]


def _around(spot: Spot, half: float) -> Box:
    x, y = spot
    return x - half, y - half, x + half, y + half


def _along(line: tuple[Spot, Spot]) -> list[Spot]:
    """Spots along a line, close enough together that no label slips between them."""
    (ax, ay), (bx, by) = line
    steps = max(int(math.dist(*line) / (2.0 * _STROKE)), 1)
    return [(ax + (bx - ax) * i / steps, ay + (by - ay) * i / steps) for i in range(steps + 1)]


def _box(place: tuple[float, float, str], text: str) -> Box:
    x, y, anchor = place
    wide = _LETTER * len(text)
    left = x - {"start": 0.0, "middle": 0.5, "end": 1.0}[anchor] * wide
    return left, y - _HEIGHT, left + wide, y + 2.0


def _crowding(boxes: Floats, taken: Floats) -> Floats:
    """Area of each box that is taken already, shape ``(boxes,)``; ties fall to the first."""
    wide = np.minimum(boxes[:, None, 2], taken[:, 2]) - np.maximum(boxes[:, None, 0], taken[:, 0])
    tall = np.minimum(boxes[:, None, 3], taken[:, 3]) - np.maximum(boxes[:, None, 1], taken[:, 1])
    area: Floats = (wide.clip(min=0.0) * tall.clip(min=0.0)).sum(axis=1)
    return area
