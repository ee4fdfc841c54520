"""Where ordinary growth alone would have put the points of a radiograph, from what it does to their measures.

References of growth tell of measures, not of points, so many places fit them; taken is the smoothest.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from warehouse.measures.catalogue import CATALOGUE
from warehouse.measures.evaluation import ReasonTexts, evaluate
from warehouse.measures.formulae import LandmarkFormula, WeightedTotal

HELD = frozenset(["S", "N", "N'", "Ba", "Po", "Or", "Pt", "Ar"])
"""Points of the cranial base, on which start and finish are laid."""

TOGETHER = (
    "ANS A PNS U1T U1A U6 Sn Ls Stms",
    "Go Me Gn Pog B L1T L1A L6 Stmi Pog' Gn'",
    "Prn Cm",
)
"""Points of one part of the face, which move alike as far as the measures allow."""

APART, FAR = 1e-3, 1e-5
"""Weight of moving unlike the own part and of moving at all, per mm squared, against missing a measure by one unit."""

STEPS = 6
_NUDGE = 1e-3

Points = Mapping[str, tuple[float, float]]
Floats = NDArray[np.float64]


def expected_points(
    points: Points, changes: Mapping[str, float], *, in_mm: bool = True
) -> dict[str, tuple[float, float]]:
    """The points (in mm, facing right, y upwards) moved so that the measures change by ``changes``.

    Minimises the squared misses of the measures (degrees, mm, percent) plus ``APART`` times the squared movement unlike
    that of the own part plus ``FAR`` times all movement, by Gauss and Newton's steps; the cranial base stays. Empty
    where no measure of ``changes`` can be had from the points. Without a scale, lengths are left out.
    """
    asked: dict[LandmarkFormula, float] = {}
    for code, change in changes.items():
        entry = CATALOGUE.get(code)
        formula = entry.formula if entry is not None else None
        if entry is None or formula is None or isinstance(formula, WeightedTotal) or (entry.unit == "mm" and not in_mm):
            continue
        if set(formula.points) <= set(points):
            asked[formula] = change
    codes = [code for part in TOGETHER for code in part.split() if code in points]
    if not asked or not codes:
        return {}
    start = np.array([points[code] for code in codes]).ravel()
    wanted = _values(points, codes, start[None], asked)[0] + np.array(list(asked.values()))
    stiff = _stiffness(codes)
    moved = np.zeros_like(start)
    for _ in range(STEPS):
        nudged = np.vstack([start + moved, start + moved + _NUDGE * np.eye(len(start))])
        values = _values(points, codes, nudged, asked)
        if not np.isfinite(values).all():
            return {}
        slope = ((values[1:] - values[0]) / _NUDGE).T
        miss = wanted - values[0] + slope @ moved
        moved = np.linalg.solve(slope.T @ slope + stiff, slope.T @ miss)
    places = (start + moved).reshape(-1, 2)
    held = {code: xy for code, xy in points.items() if code in HELD}
    return held | {code: (float(x), float(y)) for code, (x, y) in zip(codes, places, strict=True)}


def _values(points: Points, codes: list[str], places: Floats, asked: Mapping[LandmarkFormula, float]) -> Floats:
    """Every measure asked for at every row of places, shape ``(rows, measures)``."""
    n = len(places)
    x, y = ({code: np.full(n, xy[axis]) for code, xy in points.items()} for axis in (0, 1))
    for place, code in enumerate(codes):
        x[code], y[code] = places[:, 2 * place].copy(), places[:, 2 * place + 1].copy()
    readings = evaluate(x, y, list(asked), size=n, reasons=ReasonTexts())
    return np.column_stack([one.values for one in readings])


def _stiffness(codes: list[str]) -> Floats:
    """The squared movement unlike the own part, and of all, as a matrix over both coordinates of each point."""
    alike = np.zeros((len(codes), len(codes)))
    for part in TOGETHER:
        own = [place for place, code in enumerate(codes) if code in part.split()]
        alike[np.ix_(own, own)] += np.eye(len(own)) - 1.0 / max(len(own), 1)
    return np.asarray(np.kron(APART * alike + FAR * np.eye(len(codes)), np.eye(2)), dtype=np.float64)
