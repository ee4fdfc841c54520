"""One row a case: outcome, groups and what can be adjusted for; and the changes of a measure over a span."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import polars as pl

from warehouse.errors import RequestError, near_names
from warehouse.marts.grouping import GROUPINGS
from warehouse.marts.outcome_sql import outcomes_of
from warehouse.marts.reader import Reader
from warehouse.marts.statements import groups_of_sequence
from warehouse.marts.steps import STEPS
from warehouse.outcomes.definition import Definition
from warehouse.selection import Selection
from warehouse.store.quoting import name, number, statement, text

GROUP_COLUMNS = {way.name: way.column for way in GROUPINGS.values() if way.column}
"""Column of a case table -> column of mart_cases, one a grouping in which a case has one group."""

_OTHERS = ("appliance_ever", "age_at_start", "plane_at_start", "facial_index_at_start", "months_observed")
_COLUMNS = GROUP_COLUMNS | {column: column for column in _OTHERS}
_SEX_NOT_RECORDED = "unknown"

CASE_COLUMNS = tuple(_COLUMNS)  # columns a case table can have besides case_no, adverse, is_due and value


def case_table(
    reader: Reader,
    definition: Definition,
    selection: Selection,
    *,
    columns: Iterable[str] | None = None,
    among: Mapping[str, Sequence[str]] | None = None,
    landmark: float | None = None,
) -> pl.DataFrame:
    """The cases selected, with their outcome under one definition.

    ``reader``: an open snapshot. ``definition``: whose outcome is meant. ``selection``: which cases. ``columns``: those
    of ``CASE_COLUMNS`` that are wanted; all of them where None. ``among``: column -> groups to keep; None keeps all.
    ``landmark``: months after the start at which groups by phases are taken as known; ``is_undated`` then says of whom
    that cannot be told. Gives one row a case: ``case_no``; ``adverse`` true, false or null (not assessable); ``is_due``
    (false while in treatment); ``value``, the quantity compared with the threshold, null where there is no single one;
    then the columns, in order: groups as text, years as numbers, angles in degrees, months in months. What is not
    recorded is null, a sex called unknown too. Without a case the frame is empty. Raises RequestError: a column does
    not exist; near names are offered.
    """
    wanted = CASE_COLUMNS if columns is None else tuple(dict.fromkeys(columns))
    condition, values = selection.where()
    for column, kept in (among or {}).items():
        marks = ", ".join("?" for _ in kept)
        condition += f" and cast({column_of(column)} as varchar) in ({marks})"
        values.extend(kept)
    due = ", ".join(text(step) for step, meaning in STEPS.items() if not meaning.is_due)
    listed = "".join(f", {column_of(column)} as {name(column)}" for column in wanted)
    outcomes = outcomes_of(definition)
    cases = "mart_cases"
    if landmark is not None:
        cases = f"({statement(__package__, 'landmark.sql', months=number(landmark), **groups_of_sequence())})"
        listed += ", mart_cases.is_undated"
    parts = {"not_due": due, "columns": listed, "outcomes": outcomes, "condition": condition, "cases": cases}
    return reader.connection.frame(statement(__package__, "case_table.sql", **parts), values)


def column_of(column: str) -> str:
    """SQL for a column of a case table, read from mart_cases.

    Raises RequestError: a case has no such column; near names are offered.
    """
    known = _COLUMNS.get(column)
    if known is None:
        found = f"a case has no column {column!r}"
        raise RequestError(found, expected=", ".join(CASE_COLUMNS), remedy=near_names(column, CASE_COLUMNS))
    if column == "sex":
        return f"nullif(mart_cases.sex, {text(_SEX_NOT_RECORDED)})"
    return f"mart_cases.{name(known)}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """A measure as it is shown: its code, name, unit and what more of it means."""

    code: str
    label: str
    unit: str
    up_means: str


def measured(reader: Reader, code: str, definition: Definition) -> Measured:
    """The measure asked for, or (where empty) the first of the definition's measures that was read.

    Raises RequestError: no such measure was read in this warehouse; near names are offered.
    """
    present = measures_read(reader)
    if not code:
        code = next((measure for measure in definition.measures if measure in present), "")
        if not code:
            found = f"{definition.name} rests on no measure that was read here"
            raise RequestError(found, expected=", ".join(present), remedy="name one with --measure")
    if code not in present:
        found = f"the measure {code!r} was not read in this warehouse"
        remedy = near_names(code, present) or "see `menton measures`"
        raise RequestError(found, expected=", ".join(present), remedy=remedy)
    rows = reader.connection.rows("select label, unit, up_means from mart_measures where measure = ?", [code])
    label, unit, up_means = rows[0] if rows else (code, "", "")
    return Measured(code=code, label=label, unit=unit, up_means=up_means)


def measures_read(reader: Reader) -> list[str]:
    """Codes of the measures read in this warehouse, in order."""
    return [name.removesuffix("__before") for name in _span_columns(reader) if name.endswith("__before")]


def change_table(
    reader: Reader, *, measure: str, span: str, selection: Selection, columns: Iterable[str]
) -> pl.DataFrame:
    """Changes of a measure over a span.

    Gives one row a case read at both times: ``case_no``, ``before``, ``after``, ``change`` and ``expected`` (untreated
    growth over the same time; null where the growth reference has none) in the measure's unit, ``months``, then the
    columns of :func:`case_table` asked for.
    """
    condition, values = selection.where()
    listed = "".join(f", {column_of(column)} as {name(column)}" for column in dict.fromkeys(columns))
    code = name(measure)
    expected = f"mart_spans.{code}__expected" if f"{code}__expected" in _span_columns(reader) else "null"
    parts = {"code": code, "expected": expected, "columns": listed, "condition": condition}
    return reader.connection.frame(statement(__package__, "changes.sql", **parts), [span, *values])


def _span_columns(reader: Reader) -> list[str]:
    return list(reader.connection.columns("mart_spans"))
