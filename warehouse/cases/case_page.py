"""One de-identified case: what is known of it, its course in time, and its points drawn start over finish."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import polars as pl

from warehouse.cases.case_dots import SHOWN_KEY
from warehouse.errors import RequestError
from warehouse.marts.reader import Reader
from warehouse.measures.case_points import CasePoints, case_points
from warehouse.measures.catalogue import CATALOGUE
from warehouse.measures.drawing import superimposed_svg
from warehouse.selection import Selection
from warehouse.store.quoting import name as checked

VIEWS = ("lateral_radiograph", "profile_photo", "frontal_photo")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OneCase:
    """A case as it may be looked at by those who may see it."""

    case: str  # Its shortened keyed hash
    facts: Mapping[str, str]  # Name -> text, for a list on the screen
    outcomes: Mapping[str, str]  # Definition -> what it says of this case
    course: pl.DataFrame  # One row a time: timepoint, months_from_start, value; the measure asked for
    drawing: str  # An SVG of its points, or empty
    no_drawing: str  # Why there is none, or empty


def one_case(reader: Reader, *, selection: Selection, case: str, measure: str) -> OneCase:
    """The case selected whose keyed hash begins so; RequestError where there is none, or there are several."""
    condition, values = selection.where()
    rows = reader.connection.frame(
        f"select * from mart_cases where starts_with(mart_cases.case_key, ?) and {condition} limit 2", [case, *values]
    ).to_dicts()
    if len(rows) != 1 or len(case) < SHOWN_KEY:
        found = f"no single case {case[:SHOWN_KEY]!r} is among the cases selected"
        raise RequestError(found, remedy="choose one of those drawn")
    row = rows[0]
    drawing, no_drawing = _drawing(reader, row["case_no"], case[:SHOWN_KEY], measure)
    return OneCase(
        case=case[:SHOWN_KEY],
        facts=_facts(reader, row),
        outcomes=_outcomes(reader, row["case_no"]),
        course=_course(reader, row["case_no"], measure),
        drawing=drawing,
        no_drawing=no_drawing,
    )


def _facts(reader: Reader, row: Mapping[str, Any]) -> dict[str, str]:
    age = row["age_at_start"]
    facts = {
        "Practice": row["practice"],
        "Sex": reader.label("sex", row["sex"] or ""),
        "Age at start": f"{age:.1f} years" if age is not None else "",
        "Appliances in order": reader.label("appliance_category", row["appliance_sequence"] or ""),
        "Extraction": row["extraction_pattern"].replace("_", " ") if row["extraction_pattern"] else "",
        "Vertical type at start": row["vertical_type_start"] or "",
        "Incisor class at start": reader.label("incisor_class", row["incisor_class"] or ""),
        "Status": reader.label("status", row["status"] or ""),
    }
    return {name: text or "not known" for name, text in facts.items()}


def _outcomes(reader: Reader, case_no: int) -> dict[str, str]:
    rows = reader.connection.rows(
        "select mart_outcomes.definition_id, mart_outcomes.status, coalesce(mart_steps.reason, '') from mart_outcomes"
        " left join mart_steps on mart_steps.step = mart_outcomes.step where mart_outcomes.case_no = ?",
        [case_no],
    )
    known = {
        code: f"{status} ({reason})" if status == "not assessable" and reason else status
        for code, status, reason in rows
    }
    return {f"{one.id} {one.label}": known[one.id] for one in reader.registry if one.id in known}


def _course(reader: Reader, case_no: int, measure: str) -> pl.DataFrame:
    code = checked(measure)
    return reader.connection.frame(
        f"select timepoint, months_from_start, {code} as value from mart_timeline"
        f" where case_no = ? and {code} is not null and months_from_start is not null order by months_from_start",
        [case_no],
    )


def _drawing(reader: Reader, case_no: int, case: str, measure: str) -> tuple[str, str]:
    """The drawing of the first view that has points, and else why there is none."""
    for view in VIEWS:
        start, finish = (_points(reader, case_no, view, timepoint) for timepoint in ("start", "finish"))
        if start is None:
            continue
        if start.fault:
            return "", f"The points at the start cannot be used: {start.fault}."
        usable = finish if finish is not None and not finish.fault else None
        in_mm = start.in_mm and (usable is None or usable.in_mm)
        drawn = superimposed_svg(
            start.points,
            usable.points if usable else {},
            view=view,
            title=f"Case {case}",
            measure=measure if view == VIEWS[0] and _is_drawn_from_points(measure) else None,
            in_mm=in_mm,
        )
        return drawn, ""
    return "", "No points were brought in for this case, so there is nothing to draw."


def _is_drawn_from_points(measure: str) -> bool:
    return measure in CATALOGUE and CATALOGUE[measure].formula is not None and VIEWS[0] in CATALOGUE[measure].views


def _points(reader: Reader, case_no: int, view: str, timepoint: str) -> CasePoints | None:
    """The first examiner's first tracing of that view and time."""
    rows = reader.connection.frame(
        "select mart_landmarks.*, mart_cases.case_key as case_id from mart_landmarks"
        " inner join mart_cases on mart_cases.case_no = mart_landmarks.case_no"
        " where mart_landmarks.case_no = ? and view = ? and timepoint = ? and repeat_no = 1"
        " qualify examiner = min(examiner) over ()",
        [case_no, view, timepoint],
    )
    return case_points(rows) if rows.height else None
