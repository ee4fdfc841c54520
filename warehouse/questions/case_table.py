"""One row a case: outcome, groups and what can be adjusted for, ready for the estimators."""

from __future__ import annotations

from typing import TYPE_CHECKING

from warehouse.errors import RequestError, near_names
from warehouse.marts.grouping import GROUPINGS
from warehouse.marts.outcome_sql import outcomes_of
from warehouse.marts.steps import STEPS
from warehouse.store.quoting import name, text

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    import polars as pl

    from warehouse.marts.reader import Reader
    from warehouse.outcomes.definition import Definition
    from warehouse.selection import Selection

GROUP_COLUMNS = {way.name: way.column for way in GROUPINGS.values() if way.column}
"""Column of a case table -> column of mart_cases, one a grouping in which a case has one group."""

_OTHERS = ("appliance_ever", "age_at_start", "plane_at_start", "months_observed")
_COLUMNS = GROUP_COLUMNS | {column: column for column in _OTHERS}
_SEX_NOT_RECORDED = "unknown"

CASE_COLUMNS = tuple(_COLUMNS)
"""Columns a case table can have besides case_no, adverse, is_due and value."""


def case_table(
    reader: Reader,
    definition: Definition,
    selection: Selection,
    *,
    columns: Iterable[str] | None = None,
    among: Mapping[str, Sequence[str]] | None = None,
) -> pl.DataFrame:
    """The cases selected, with their outcome under one definition.

    Args:
        reader: An open snapshot.
        definition: Whose outcome is meant.
        selection: Which cases.
        columns: Those of ``CASE_COLUMNS`` that are wanted; all of them where None.
        among: Column -> groups to keep; None keeps all.

    Returns:
        One row a case: ``case_no``; ``adverse`` true, false or null (not assessable); ``is_due`` (false while in
        treatment); ``value``, the quantity compared with the threshold, null where there is no single one; then
        the columns, in order: groups as text, years as numbers, angles in degrees, months in months. What is not
        recorded is null, a sex called unknown too. Without a case the frame is empty.

    Raises:
        RequestError: A column does not exist; near names are offered.
    """
    wanted = CASE_COLUMNS if columns is None else tuple(dict.fromkeys(columns))
    condition, values = selection.where()
    for column, kept in (among or {}).items():
        marks = ", ".join("?" for _ in kept)
        condition += f" and cast({column_of(column)} as varchar) in ({marks})"
        values.extend(kept)
    due = ", ".join(text(step) for step, meaning in STEPS.items() if not meaning.is_due)
    listed = "".join(f", {column_of(column)} as {name(column)}" for column in wanted)
    return reader.connection.frame(
        "select mart_cases.case_no,"
        " case mart_outcomes.status when 'adverse' then true when 'not adverse' then false end as adverse,"
        f" mart_outcomes.step not in ({due}) as is_due, mart_outcomes.value{listed}"
        f" from {outcomes_of(definition)} inner join mart_cases on mart_cases.case_no = mart_outcomes.case_no"
        f" where {condition} order by mart_cases.case_no",
        values,
    )


def column_of(column: str) -> str:
    """SQL for a column of a case table, read from mart_cases.

    Raises:
        RequestError: A case has no such column; near names are offered.
    """
    known = _COLUMNS.get(column)
    if known is None:
        found = f"a case has no column {column!r}"
        raise RequestError(found, expected=", ".join(CASE_COLUMNS), remedy=near_names(column, CASE_COLUMNS))
    if column == "sex":
        return f"nullif(mart_cases.sex, {text(_SEX_NOT_RECORDED)})"
    return f"mart_cases.{name(known)}"
