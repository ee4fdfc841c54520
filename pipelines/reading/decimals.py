"""Which decimal mark the numbers of a table use: recorded here, applied when the values are interpreted.

A value such as ``12,5`` or ``12.5`` decides; ``1,234`` reads either way and decides nothing. A column counts when most
of its values are numbers, so that tooth codes such as ``14,24`` beside words do not. The columns vote, and what the
minority shows is recorded with the result.
"""

from dataclasses import dataclass, replace

import polars as pl

from pipelines.contract.delivery import RawTable, ReadingAssumption
from pipelines.reading.cells import listed, marks_in, share_of_numbers
from pipelines.reading.settings import ABOUT_DECIMAL, DECIMAL_MIXED, DECIMAL_OPEN
from warehouse.plural import number_of

SAMPLE_ROWS = 5_000  # rows looked at, spread over the whole table

MIN_NUMBERS = 0.8
MIN_MAJORITY = 0.75


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
    comma, point, either = [], [], []
    for name in names:
        if share_of_numbers(sample[name]) < MIN_NUMBERS:
            continue
        certain, unclear = marks_in(sample[name].drop_nulls())
        comma += [name] if "," in certain else []
        point += [name] if "." in certain else []
        either += [name] if unclear and not certain else []
    return Marks(tuple(comma), tuple(point), tuple(either))


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
    shown = number_of(max(n_comma, n_point), "column shows it", "columns show it")
    contrary = f"; the other mark stands in {listed(list(other))}" if other else ""
    reads = f"; values such as 1,234 are read with it in {listed(list(marks.either))}" if marks.either else ""
    return ReadingAssumption(ABOUT_DECIMAL, taken, f"{shown}{contrary}{reads}")


def _open_note(marks: Marks) -> ReadingAssumption | None:
    if not marks.either:
        return None
    because = (
        f"values such as 1,234 or 1.234 read either way in {listed(list(marks.either))}; state decimal in the mapping"
    )
    return ReadingAssumption(ABOUT_DECIMAL, DECIMAL_OPEN, because)
