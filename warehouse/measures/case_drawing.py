"""The drawing of one case from all its points: which tracings are drawn, and why none can be."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from warehouse.errors import RequestError
from warehouse.measures.catalogue import CATALOGUE
from warehouse.measures.drawing import Growth, superimposed_svg
from warehouse.measures.evaluation import ReasonTexts, evaluate
from warehouse.measures.formulae import LandmarkFormula, WeightedTotal
from warehouse.measures.landmarks import LATERAL, VIEWS
from warehouse.measures.measure import Measure
from warehouse.measures.records import describe_records, pictures_sharing_a_scale
from warehouse.measures.tracings import gather_tracings

HELD = frozenset(["S", "N", "N'", "Ba", "Po", "Or", "Pt", "Ar"])
"""Points of the cranial base, on which start and finish are laid."""

TOGETHER = ("ANS A PNS U1T U1A U6 Sn Ls Stms", "Go Me Gn Pog B L1T L1A L6 Stmi Pog' Gn'", "Prn Cm")
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


@dataclass(frozen=True, slots=True)
class CasePoints:
    """One tracing, facing right with y upwards."""

    view: str
    points: Mapping[str, tuple[float, float]]  # Landmark -> (x, y); only points that are there
    # True where lengths are true millimetres: no pixels without a scale, and for a radiograph the enlargement
    # known
    in_mm: bool
    fault: str  # Why the tracing cannot be used, or empty


def case_points(landmarks: pl.DataFrame, visits: pl.DataFrame | None = None) -> CasePoints:
    """The points of the one tracing that ``landmarks`` holds. Raises RequestError: there is not exactly one tracing."""
    gathered = gather_tracings(landmarks)
    count = sum(tracings.keys.height for tracings in gathered)
    if count != 1:
        message = f"The landmarks hold {count} tracings."
        raise RequestError(
            message,
            where="drawing",
            expected="the points of one case, time, view, examiner and repeat",
            remedy="choose one tracing",
        )
    (tracings,) = gathered
    sharing = pictures_sharing_a_scale([tracings.keys])
    record = describe_records(tracings.keys, visits, tracings.view, sharing=sharing).row(0, named=True)
    factor = record["to_mm"]
    points = {
        code: (float(tracings.x[code][0]) * (factor or 1.0), float(tracings.y[code][0]) * (factor or 1.0))
        for code in tracings.x
        if np.isfinite(tracings.x[code][0]) and np.isfinite(tracings.y[code][0])
    }
    in_mm = factor is not None and record["size"] != "as on the film"
    return CasePoints(tracings.view, points, in_mm, record["fault"] or "")


DRAWN_TIMES = ("start", "finish")
_USUAL_MEASURE: Mapping[str, str] = {LATERAL: "sn_gogn_deg", "profile_photo": "nasolabial_deg"}


def draw_case(
    landmarks: pl.DataFrame,
    visits: pl.DataFrame | None,
    *,
    title: str,
    view: str | None = None,
    measure: str | None = None,
    known: Growth | None = None,
    expected: Mapping[str, float] | None = None,
) -> str:
    """An SVG of one case's points, finish over start; of several readings of one time the first examiner's first.

    ``landmarks`` holds all points of the case in long form (columns as in ``tracings.gather_tracings``), ``visits``
    what is known of the records' scale and enlargement. ``title`` must not identify a person. Without a view the first
    is drawn that has points at start or finish, without a measure the usual one of the view is brought out. ``known``
    is what is known of ages and time; ``expected`` what ordinary growth would have added to each measure by the finish.
    Raises RequestError: the case has no points of start or finish in that view, they cannot be used, the view is
    unknown, or the measure is not made from points of it; DefinitionError: the measure is unknown.
    """
    chosen = _view(landmarks, view)
    entry = _measure(measure, chosen)
    tracings = {time: _points(landmarks, visits, chosen, time) for time in DRAWN_TIMES}
    there = {time: one for time, one in tracings.items() if one is not None}
    for time, one in there.items():
        if one.fault:
            raise _nothing(f"the points at {time} cannot be used: {one.fault.removeprefix('not measurable: ')}")
    start, finish = tracings["start"], tracings["finish"]
    if known is not None and expected and start and finish and chosen == LATERAL:
        known = replace(known, points=expected_points(start.points, expected, in_mm=start.in_mm))
    return superimposed_svg(
        start.points if start else {},
        finish.points if finish else {},
        view=chosen,
        title=title,
        measure=entry,
        in_mm=all(one.in_mm for one in there.values()),
        growth=known,
    )


def _view(landmarks: pl.DataFrame, wanted: str | None) -> str:
    if wanted is not None and wanted not in VIEWS:
        found = f"there is no view {wanted!r}"
        raise RequestError(found, where="drawing", expected=", ".join(VIEWS), remedy="choose one of these views")
    drawn = landmarks.filter(pl.col("timepoint").is_in(DRAWN_TIMES))
    seen = set(drawn["view"].unique())
    for view in VIEWS if wanted is None else (wanted,):
        if view in seen:
            return view
    where = f" in the view {wanted}" if wanted else ""
    raise _nothing(f"the case has no points at start or finish{where}")


def _nothing(found: str) -> RequestError:
    return RequestError(found, where="drawing", expected="points of the start, the finish or both", remedy=_REMEDY)


_REMEDY = "hand over the points of the case (see the table landmarks of `menton template --tables`)"


def _measure(code: str | None, view: str) -> Measure | None:
    if code is None:
        usual = _USUAL_MEASURE.get(view)
        return CATALOGUE[usual] if usual else None
    entry = CATALOGUE.measure(code)
    if entry.formula is None or isinstance(entry.formula, WeightedTotal) or view not in entry.views:
        found = f"{entry.label} is not made from points of a {view.replace('_', ' ')}"
        raise RequestError(found, where="drawing", expected="a measure with a formula for that view")
    return entry


def _points(landmarks: pl.DataFrame, visits: pl.DataFrame | None, view: str, time: str) -> CasePoints | None:
    """The first reading of the first examiner who marked that view at that time."""
    rows = landmarks.filter(pl.col("view") == view, pl.col("timepoint") == time)
    if rows.is_empty():
        return None
    for name in ("examiner", "repeat_no"):
        if name in rows.columns:
            rows = rows.filter(pl.col(name) == pl.col(name).min())
    return case_points(rows, visits)
