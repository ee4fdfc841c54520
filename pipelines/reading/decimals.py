"""Which decimal mark the numbers of a table use: recorded here, applied when the values are interpreted.

A value such as ``12,5`` or ``12.5`` decides; ``1,234`` reads either way and decides nothing. A column counts when most
of its values are numbers, so that tooth codes such as ``14,24`` beside words do not. The columns vote, and what the
minority shows is recorded with the result.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import polars as pl

from pipelines.contract.contract import load_contract
from pipelines.contract.delivery import RawTable, ReadingAssumption
from pipelines.reading.cells import NUMBER, listed
from pipelines.reading.settings import ABOUT_DECIMAL, DECIMAL_MIXED, DECIMAL_OPEN

SAMPLE_ROWS = 5_000
"""Rows looked at, spread over the whole table."""

MIN_NUMBERS = 0.8
MIN_MAJORITY = 0.75

_COMMA = r"^[+\-−]?\d*,\d+\s?[%°]?$"
_POINT = r"^[+\-−]?\d*\.\d+\s?[%°]?$"
_EITHER = r"^[+\-−]?[1-9]\d{0,2}[.,]\d{3}$"
_GROUPED_POINT = r"^[+\-−]?\d{1,3}(?:,\d{3})+\.\d+$"
_GROUPED_COMMA = r"^[+\-−]?\d{1,3}(?:\.\d{3})+,\d+$"


@dataclass(frozen=True, slots=True)
class Marks:
    """Columns by what their numbers show."""

    comma: tuple[str, ...]
    point: tuple[str, ...]
    either: tuple[str, ...]


def find_marks(frame: pl.DataFrame) -> Marks:
    """What the numeric text columns of a table show, on a sample of rows spread over it."""
    names = [name for name, dtype in frame.schema.items() if dtype == pl.String]
    step = max(1, frame.height // SAMPLE_ROWS)
    sample = frame.select(names).gather_every(step)
    missing = list(load_contract().missing)
    comma, point, either = [], [], []
    for name in names:
        values = sample[name].drop_nulls()
        values = values.filter(~values.str.to_lowercase().is_in(missing))
        shows = _shows(values)
        if "," in shows:
            comma.append(name)
        if "." in shows:
            point.append(name)
        if shows == "?":
            either.append(name)
    return Marks(tuple(comma), tuple(point), tuple(either))


def _shows(values: pl.Series) -> str:
    """``","``, ``"."``, both, ``"?"`` where values read either way, or "" where the column does not tell."""
    if values.is_empty() or (values.str.contains(NUMBER).mean() or 0) < MIN_NUMBERS:  # type: ignore[operator]
        return ""
    either = values.str.contains(_EITHER)
    comma = ((values.str.contains(_COMMA) & ~either) | values.str.contains(_GROUPED_COMMA)).any()
    point = ((values.str.contains(_POINT) & ~either) | values.str.contains(_GROUPED_POINT)).any()
    shown = f"{',' if comma else ''}{'.' if point else ''}"
    return shown or ("?" if either.any() else "")


def with_decimal_note(table: RawTable) -> RawTable:
    """The table with the decimal mark its numbers show among its assumptions."""
    note = decimal_note(find_marks(table.frame))
    return replace(table, assumptions=(*table.assumptions, note)) if note else table


def decimal_note(marks: Marks) -> ReadingAssumption | None:
    """The record of the decimal mark, or None where no number of the table needs one."""
    n_comma, n_point = len(marks.comma), len(marks.point)
    if not n_comma and not n_point:
        return _open_note(marks)
    if max(n_comma, n_point) < MIN_MAJORITY * (n_comma + n_point):
        because = f"comma in {listed(list(marks.comma))}; point in {listed(list(marks.point))}"
        return ReadingAssumption(ABOUT_DECIMAL, DECIMAL_MIXED, because)
    taken, other = (",", marks.point) if n_comma > n_point else (".", marks.comma)
    contrary = f"; the other mark stands in {listed(list(other))}" if other else ""
    reads = f"; values such as 1,234 are read with it in {listed(list(marks.either))}" if marks.either else ""
    return ReadingAssumption(ABOUT_DECIMAL, taken, f"{max(n_comma, n_point)} columns show it{contrary}{reads}")


def _open_note(marks: Marks) -> ReadingAssumption | None:
    if not marks.either:
        return None
    because = (
        f"values such as 1,234 or 1.234 read either way in {listed(list(marks.either))}; state decimal in the mapping"
    )
    return ReadingAssumption(ABOUT_DECIMAL, DECIMAL_OPEN, because)
