"""The drawing of a case of the warehouse, found by its key."""

from __future__ import annotations

from warehouse.errors import RequestError
from warehouse.marts.reader import Reader
from warehouse.measures.case_drawing import draw_case

SHORTEST_KEY = 6
"""Digits of a case key that must be given."""
_SHOWN = 8


def drawing_of_case(reader: Reader, *, case_key: str, view: str | None = None, measure: str | None = None) -> str:
    """An SVG of the points of one case, finish over start; RequestError where there is none, or nothing to draw.

    ``case_key``: May be its beginning (6 digits or more). ``view``: The first with points where None. ``measure``: What
    to bring out; the usual one of the view where None.
    """
    case_no, key = _found(reader, case_key)
    points = reader.connection.frame(
        "select cast(case_no as varchar) as case_id, timepoint, view, landmark, x, y, unit, y_axis, faces, examiner,"
        " repeat_no from mart_landmarks where case_no = ?",
        [case_no],
    )
    visits = reader.connection.frame(
        "select cast(case_no as varchar) as case_id, timepoint, magnification_pct, image_scale_mm_per_px, porion_kind,"
        " gonion_kind from mart_timeline where case_no = ?",
        [case_no],
    )
    return draw_case(points, visits, title=f"Case {key[:_SHOWN]}", view=view, measure=measure)


def _found(reader: Reader, beginning: str) -> tuple[int, str]:
    if len(beginning) < SHORTEST_KEY:
        found = f"{beginning!r} is too short for a case key"
        raise RequestError(found, where="case", expected=f"at least {SHORTEST_KEY} digits of the key", remedy=_REMEDY)
    rows = reader.connection.rows(
        "select case_no, case_key from mart_cases where starts_with(case_key, ?) limit 2", [beginning]
    )
    if len(rows) == 1:
        return int(rows[0][0]), str(rows[0][1])
    found = "no case has this key" if not rows else "several cases have keys that begin so"
    raise RequestError(found, where="case", expected="the key of one case", remedy=_REMEDY)


_REMEDY = "case keys stand in `menton cases --out FILE`; or give the practice's own number with --number"
