"""One de-identified case: what is known of it, its course in time, and its points drawn start over finish."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import polars as pl

from warehouse.cases.case_dots import SHOWN_KEY
from warehouse.cases.stored_drawing import drawing_of_case
from warehouse.errors import MentonError, RequestError
from warehouse.marts.reader import Reader
from warehouse.outcomes.definition import Definition
from warehouse.selection import Selection
from warehouse.store.quoting import name as checked


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OneCase:
    """A case as it may be looked at by those who may see it."""

    case: str  # Its shortened keyed hash
    facts: Mapping[str, str]  # Name -> text, for a list on the screen
    outcomes: Mapping[str, str]  # Definition -> what it says of this case
    course: pl.DataFrame  # One row a time: timepoint, months_from_start, value; the measure asked for
    drawing: str  # An SVG of its points, or empty
    no_drawing: str  # Why there is none, or empty


@dataclass(frozen=True, slots=True)
class CaseInFile:
    """One case as a file of the practice itself may hold it."""

    case: str  # Its shortened keyed hash
    drawing: str  # An SVG of its points, or empty
    no_drawing: str  # Why there is none, or empty


def case_in_file(reader: Reader, *, selection: Selection, case: str, definition: Definition) -> CaseInFile:
    """The drawing of :func:`one_case` for a file of the practice itself."""
    row = _row(reader, selection, case)
    part = definition.single_change
    return CaseInFile(case[:SHOWN_KEY], *_drawing(reader, row["case_key"], part.measures[0] if part else None))


def _row(reader: Reader, selection: Selection, case: str) -> dict[str, Any]:
    """The case selected whose keyed hash begins so; RequestError where there is none, or there are several."""
    condition, values = selection.where()
    rows = reader.connection.frame(
        f"select * from mart_cases where starts_with(mart_cases.case_key, ?) and {condition} limit 2", [case, *values]
    ).to_dicts()
    if len(rows) != 1 or len(case) < SHOWN_KEY:
        found = f"no single case {case[:SHOWN_KEY]!r} is among the cases selected"
        raise RequestError(found, where="case", remedy="take its key from Case by case, or from `menton cases`")
    return rows[0]


def one_case(reader: Reader, *, selection: Selection, case: str, measure: str) -> OneCase:
    """The case selected whose keyed hash begins so; RequestError where there is none, or there are several."""
    row = _row(reader, selection, case)
    drawing, no_drawing = _drawing(reader, row["case_key"], measure)
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


def _drawing(reader: Reader, case_key: str, measure: str | None) -> tuple[str, str]:
    """The drawing that `menton draw` makes, with the measure brought out where its points are there; or why not."""
    why = ""
    for wanted in dict.fromkeys((measure, None)):
        try:
            return drawing_of_case(reader, case_key=case_key, measure=wanted), ""
        except MentonError as error:
            why = f"{error.found[0].upper()}{error.found[1:]}, so there is nothing to draw."
    return "", why
