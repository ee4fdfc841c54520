"""Which measures there are, and how a change of one is read from the published spans."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from warehouse.errors import RequestError, near_names
from warehouse.outcomes.definition import SPANS
from warehouse.questions.case_table import column_of
from warehouse.store.quoting import name, text

if TYPE_CHECKING:
    from collections.abc import Iterable

    import polars as pl

    from warehouse.marts.reader import Reader
    from warehouse.outcomes.definition import Definition
    from warehouse.selection import Selection


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """A measure as it is shown: its code, name, unit and what more of it means."""

    code: str
    label: str
    unit: str
    up_means: str


def measured(reader: Reader, code: str | None, definition: Definition) -> Measured:
    """The measure asked for, or the first of the definition's measures that was read.

    Raises:
        RequestError: No such measure was read in this warehouse; near names are offered.
    """
    present = measures_read(reader)
    if code is None:
        code = next((measure for measure in definition.measures if measure in present), None)
        if code is None:
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


def check_span(span: str) -> str:
    """The span, if there is one of that name.

    Raises:
        RequestError: There is none.
    """
    if span not in SPANS:
        found = f"there is no span {span!r}"
        raise RequestError(found, expected=", ".join(SPANS), remedy=near_names(span, SPANS))
    return span


def change_table(
    reader: Reader, *, measure: str, span: str, selection: Selection, columns: Iterable[str]
) -> pl.DataFrame:
    """Changes of a measure over a span.

    Returns:
        One row a case read at both times: ``case_no``, ``before``, ``after``, ``change`` and ``expected`` (untreated
        growth over the same time; null where the growth reference has none) in the measure's unit, ``months``, then
        the columns of :func:`warehouse.questions.case_table.case_table` asked for.
    """
    condition, values = selection.where()
    listed = "".join(f", {column_of(column)} as {name(column)}" for column in dict.fromkeys(columns))
    code = name(measure)
    expected = f"mart_spans.{code}__expected" if f"{code}__expected" in _span_columns(reader) else "null"
    return reader.connection.frame(
        f"select mart_cases.case_no, mart_spans.{code}__before as before, mart_spans.{code}__after as after,"
        f" mart_spans.{code}__after - mart_spans.{code}__before as change,"
        f" cast({expected} as double) as expected, mart_spans.months{listed}"
        " from mart_spans inner join mart_cases on mart_cases.case_no = mart_spans.case_no"
        f" where mart_spans.span = {text(check_span(span))}"
        f" and mart_spans.{code}__before is not null and mart_spans.{code}__after is not null"
        f" and {condition} order by mart_cases.case_no",
        values,
    )


def _span_columns(reader: Reader) -> list[str]:
    rows = reader.connection.rows(
        "select column_name from duckdb_columns() where table_name = 'mart_spans' order by column_index"
    )
    return [column for (column,) in rows]
