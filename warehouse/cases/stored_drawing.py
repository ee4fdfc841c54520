"""The drawing of a case of the warehouse, found by its key."""

from warehouse.errors import RequestError
from warehouse.marts.reader import Reader
from warehouse.measures.case_drawing import draw_case
from warehouse.measures.drawing import Growth

SHORTEST_KEY = 6  # digits of a case key that must be given
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
    known, expected = _growth(reader, case_no)
    title = f"Case {key[:_SHOWN]}"
    return draw_case(points, visits, title=title, view=view, measure=measure, known=known, expected=expected)


def _growth(reader: Reader, case_no: int) -> tuple[Growth | None, dict[str, float]]:
    """Ages and interval of a case, and what ordinary growth would have added to each measure."""
    rows = reader.connection.frame(
        "select * from mart_spans where case_no = ? and span = 'start_to_finish'", [case_no]
    ).to_dicts()
    if not rows:
        return None, {}
    (row,) = rows
    ends = (row["age_before"], row["age_after"])
    ages = None if None in ends else ends
    added = {name.removesuffix("__expected"): value for name, value in row.items() if name.endswith("__expected")}
    added = {measure: value for measure, value in added.items() if value is not None}
    curves = reader.connection.rows(
        "select distinct reference_id || ' v' || version, measure from mart_growth order by 1"
    )
    used = dict.fromkeys(name for name, measure in curves if measure in added)
    return Growth(ages=ages, months=row["months"], reference=", ".join(used)), added


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
