"""The drawing of one case from all its points: which tracings are drawn, and why none can be."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import polars as pl

from warehouse.errors import RequestError
from warehouse.measures.case_points import CasePoints, case_points
from warehouse.measures.catalogue import CATALOGUE
from warehouse.measures.drawing import Growth, superimposed_svg
from warehouse.measures.expected_points import expected_points
from warehouse.measures.formulae import WeightedTotal
from warehouse.measures.landmarks import LATERAL, VIEWS
from warehouse.measures.measure import Measure

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
    is drawn that has points at start or finish, without a measure the usual one of the view is brought out.
    ``known`` is what is known of ages and time; ``expected`` what ordinary growth would have added to each
    measure by the finish.

    Raises:
        RequestError: The case has no points of start or finish in that view, they cannot be used, the view is
            unknown, or the measure is not made from points of it.
        DefinitionError: The measure is unknown.
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
