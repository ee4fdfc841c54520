"""Lays the points of finish over those of start, and says in words what moved.

Radiographs are registered on sella along sella-nasion and keep their size, so that growth shows. Photographs have
no size of their own: profiles are registered on soft nasion along the nose and scaled to its height, frontal
photographs on soft nasion along and to the width of the cheekbones. What then moves is the lower face.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np

from warehouse.errors import RequestError
from warehouse.measures.evaluation import ReasonTexts, evaluate
from warehouse.measures.formulae import WeightedTotal
from warehouse.measures.landmarks import FRONTAL, LATERAL, PROFILE
from warehouse.measures.measure import Measure

Points: TypeAlias = Mapping[str, tuple[float, float]]
"""Landmark -> (x, y)."""


@dataclass(frozen=True, slots=True)
class Registration:
    """How a view is registered."""

    origin: str  # The landmark laid on itself
    direction: tuple[str, str]  # The line laid along itself: from, to
    drawn_at: float  # Direction of that line on the page, degrees above the horizontal
    same_size: bool  # True where finish is scaled so that the line keeps its length
    words: str  # The registration in words
    chin: str  # The landmark whose movement is told


# Sella-nasion lies about 7 degrees above the true horizontal (common practice, no source).
REGISTRATIONS: Mapping[str, Registration] = {
    LATERAL: Registration("S", ("S", "N"), 7.0, False, "superimposed on S along SN", "Me"),
    PROFILE: Registration("N'", ("N'", "Sn"), -80.0, True, "superimposed on N' along N'-Sn, at one size", "Gn'"),
    FRONTAL: Registration("N'", ("ZyR", "ZyL"), 0.0, True, "superimposed on N' at one cheekbone width", "Gn'"),
}


@dataclass(frozen=True, slots=True)
class Superimposition:
    """Start and finish in one frame: x forwards, y upwards, the registration point at (0, 0)."""

    start: Points  # Points at start, or empty if they cannot be placed
    finish: Points  # Points at finish, or empty if they cannot be placed
    problems: tuple[str, ...]  # Why a time is not drawn, in words
    registration: Registration  # How they were laid

    @property
    def chin(self) -> tuple[tuple[float, float], tuple[float, float]] | None:
        """Where the chin lies at start and at finish; None where it is not known at both."""
        code = self.registration.chin
        return (self.start[code], self.finish[code]) if code in self.start and code in self.finish else None


def superimpose(start: Points, finish: Points, *, view: str, in_mm: bool = True) -> Superimposition:
    """Register two sets of points, facing right, y upwards, in true mm; either may be empty.

    Where they are not ``in_mm`` the two may differ in scale: they are brought to one length of the line of
    registration.

    Raises:
        RequestError: The view is unknown.
    """
    if view not in REGISTRATIONS:
        message = f"There is no view called {view!r}."
        expected = f"one of {', '.join(REGISTRATIONS)}"
        raise RequestError(message, where="drawing", expected=expected, remedy="correct the view")
    registration = REGISTRATIONS[view]
    if not in_mm and not registration.same_size:
        words = f"{registration.words}, at one length of it since no scale is known"
        registration = replace(registration, same_size=True, words=words)
    length = _line_length(start, registration) if registration.same_size else None
    placed, problems = [], []
    for name, points in (("Start", start), ("Finish", finish)):
        problem = _problem(points, registration) if points else ""
        placed.append({} if problem or not points else _place(points, registration, length))
        problems += [f"{name} is not drawn: {problem}."] if problem else []
    return Superimposition(placed[0], placed[1], tuple(problems), registration)


def _finite(points: Points) -> dict[str, tuple[float, float]]:
    return {code: (x, y) for code, (x, y) in points.items() if math.isfinite(x) and math.isfinite(y)}


def _problem(points: Points, registration: Registration) -> str:
    known = _finite(points)
    needed = dict.fromkeys((registration.origin, *registration.direction))
    lost = [code for code in needed if code not in known]
    if lost:
        return f"{' and '.join(lost)} missing"
    if _line_length(points, registration) < 1e-6:
        return f"{' and '.join(registration.direction)} lie on one spot"
    return ""


def _line_length(points: Points, registration: Registration) -> float:
    known = _finite(points)
    a, b = (known.get(code) for code in registration.direction)
    return math.dist(a, b) if a and b else 0.0


def _place(points: Points, registration: Registration, length: float | None) -> dict[str, tuple[float, float]]:
    known = _finite(points)
    ox, oy = known[registration.origin]
    (ax, ay), (bx, by) = (known[code] for code in registration.direction)
    turn = math.radians(registration.drawn_at) - math.atan2(by - ay, bx - ax)
    size = length / _line_length(points, registration) if length else 1.0
    cos, sin = size * math.cos(turn), size * math.sin(turn)
    return {code: (cos * (x - ox) - sin * (y - oy), sin * (x - ox) + cos * (y - oy)) for code, (x, y) in known.items()}


def read_measure(entry: Measure, points: Points) -> tuple[float | None, str]:
    """Value of one measure for one set of points, or None and the reason."""
    if entry.formula is None or isinstance(entry.formula, WeightedTotal):
        return None, "not measurable: it is not made from landmarks"
    x = {code: np.array([xy[0]]) for code, xy in _finite(points).items()}
    y = {code: np.array([xy[1]]) for code, xy in _finite(points).items()}
    reasons = ReasonTexts()
    (reading,) = evaluate(x, y, [entry.formula], size=1, reasons=reasons)
    reason = reasons.texts[reading.reasons[0]]
    return (None, reason) if reason else (float(reading.values[0]), "")


def measure_told(entry: Measure, start: Points, finish: Points) -> str:
    """What the measure did from start to finish, in one sentence or two."""
    before, why_before = read_measure(entry, start)
    if not finish:
        return f"{entry.label}: {_shown(before, entry) if before is not None else why_before}."
    after, why_after = read_measure(entry, finish)
    if before is None or after is None:
        known = [
            f"{_shown(value, entry)} at {time}" if value is not None else _not_measurable_at(time, why)
            for time, value, why in (("start", before, why_before), ("finish", after, why_after))
        ]
        return f"{entry.label}: {', '.join(known)}."
    change = after - before
    if abs(change) < 0.05:
        return f"{entry.label} did not change: {_shown(after, entry)} at start and at finish."
    return (
        f"{entry.label} {'rose' if change > 0 else 'fell'} by {abs(change):.1f} from {before:.1f} at start to "
        f"{_shown(after, entry)} at finish. A rise means: {entry.up_means}."
    )


def _not_measurable_at(time: str, why: str) -> str:
    return f"not measurable at {time} ({why.removeprefix('not measurable: ')})"


def _shown(value: float, entry: Measure) -> str:
    return f"{value:.1f} {entry.unit if entry.unit != 'percent' else '%'}"


def chin_told(laid: Superimposition) -> str:
    """How the chin moved in the frame of registration; empty if it is not known at both times."""
    chin = laid.registration.chin
    if laid.chin is None:
        return ""
    dx, dy = (b - a for a, b in zip(*laid.chin, strict=True))
    if laid.registration.same_size:
        where = "did not move" if abs(dy) < 1e-9 else f"moved {'down' if dy < 0 else 'up'}"
        return f"Relative to the upper face, the chin ({chin}) {where}."
    if max(abs(dx), abs(dy)) < 0.05:
        return f"Relative to the cranial base, the chin ({chin}) did not move."
    vertical = f"{abs(dy):.1f} mm {'down' if dy < 0 else 'up'}"
    sagittal = f"{abs(dx):.1f} mm {'forwards' if dx > 0 else 'back'}"
    return f"Relative to the cranial base, the chin ({chin}) moved {vertical} and {sagittal}."
