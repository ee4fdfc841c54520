"""What is taken away from a table as read: stray blanks, blank rows and columns, totals, notes, the example row.

Everything taken away is recorded as an assumption; no value is changed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import polars as pl

from pipelines.contract.delivery import FileSource, RawTable, ReadingAssumption
from pipelines.reading import limits, settings
from pipelines.reading.cells import STRAY, column_letter, listed
from pipelines.reading.header import unnamed_note
from pipelines.reading.template_marks import EXAMPLE_CASE
from pipelines.reading.totals import find_tail
from warehouse.errors import BadFileError


@dataclass(frozen=True, slots=True, kw_only=True)
class Untidy:
    """A table as it stands in a file, below its header."""

    source: FileSource  # The file and sheet
    frame: pl.DataFrame  # Named columns
    rows: pl.Series  # UInt32 row numbers as a spreadsheet shows them
    where: str  # File (and sheet) for messages
    first_column: int = 0  # 0-based place of the first column in the sheet
    unnamed: frozenset[int] = frozenset()  # Indices of the columns without a name
    assumptions: tuple[ReadingAssumption, ...] = ()  # What was found out so far
    stray: str = STRAY  # The characters to trim; fewer where the file is known not to hold some of them

    def without(self, drop: pl.Series, note: ReadingAssumption) -> Untidy:
        """The table without the marked rows, and the record of it."""
        keep = ~drop
        return replace(
            self,
            frame=self.frame.filter(keep),
            rows=self.rows.filter(keep),
            assumptions=(*self.assumptions, note),
        )


def tidied(table: Untidy, *, skip_totals: bool) -> RawTable:
    """The raw table.

    Raises:
        BadFileError: A cell is longer than a spreadsheet cell may be, or no row is left.
    """
    table = replace(table, frame=_trim(table.frame, table.stray))
    _check_cells(table)
    table = _without_blank_rows(table)
    table = _without_example(table)
    if skip_totals and table.frame.height:
        table = _without_tail(table)
    table = _without_blank_columns(table)
    if table.frame.height == 0 or table.frame.width == 0:
        found = "there is a header but no row of data below it"
        raise BadFileError(found, where=table.where, expected="one row a case or record", remedy="export it again")
    return RawTable(table.source, table.frame, table.rows, table.assumptions)


def _text_columns(frame: pl.DataFrame) -> list[str]:
    return [name for name, dtype in frame.schema.items() if dtype == pl.String]


def _trim(frame: pl.DataFrame, stray: str) -> pl.DataFrame:
    """Text without stray blanks, and null where nothing is left; only the columns that need it are rewritten."""
    names = _text_columns(frame)
    if not names or not stray:
        return frame
    ends = {
        name: pl.any_horizontal([pl.col(name).str.starts_with(c) | pl.col(name).str.ends_with(c) for c in stray]).any()
        for name in names
    }
    hit = frame.select(**ends).row(0, named=True)
    strip = [pl.col(name).str.strip_chars(stray).replace("", None) for name in names if hit[name]]
    return frame.with_columns(strip) if strip else frame


def _check_cells(table: Untidy) -> None:
    names = _text_columns(table.frame)
    if not names or not table.frame.height:
        return
    longest = table.frame.select(pl.col(names).str.len_bytes().max()).row(0, named=True)
    for name in names:
        if (longest[name] or 0) > limits.MAX_CELL_CHARS:
            _check_column(table, name)


def _check_column(table: Untidy, name: str) -> None:
    long = table.frame[name].str.len_chars() > limits.MAX_CELL_CHARS
    rows = table.rows.filter(long.fill_null(value=False)).to_list()
    if not rows:
        return
    found = f"a cell holds more than {limits.MAX_CELL_CHARS:,} characters"
    where = (
        f"{table.where}, row {rows[0]}, column {column_letter(table.first_column + table.frame.columns.index(name))}"
    )
    remedy = "a quotation mark may be opened and never closed there; correct it and export again"
    raise BadFileError(found, where=where, expected="short values", remedy=remedy)


def _without_blank_rows(table: Untidy) -> Untidy:
    blank = table.frame.select(pl.all_horizontal(pl.all().is_null())).to_series()
    n_blank = int(blank.sum())
    if not n_blank:
        return table
    first = table.rows.filter(blank).head(5).to_list()
    taken = f"{n_blank} left out"
    because = f"no cell of them is filled; the first: {', '.join(map(str, first))}"
    return table.without(blank, ReadingAssumption(settings.ABOUT_BLANK_ROWS, taken, because))


def _without_blank_columns(table: Untidy) -> Untidy:
    frame = table.frame
    blank = [name for name, n in zip(frame.columns, frame.null_count().row(0), strict=True) if n == frame.height]
    named = [name for name in blank if frame.columns.index(name) not in table.unnamed]
    kept = [i for i in sorted(table.unnamed) if frame.columns[i] not in blank]
    notes = list(table.assumptions)
    if named:
        notes.append(
            ReadingAssumption(
                settings.ABOUT_BLANK_COLUMNS, f"left out: {listed(named)}", "no cell below the name is filled"
            )
        )
    if kept:
        notes.append(unnamed_note([table.first_column + i for i in kept]))
    return replace(table, frame=frame.drop(blank), assumptions=tuple(notes))


def _without_example(table: Untidy) -> Untidy:
    if table.frame.schema.get("case_id") != pl.String:
        return table
    example = (table.frame["case_id"] == EXAMPLE_CASE).fill_null(value=False)
    if not example.any():
        return table
    rows = ", ".join(map(str, table.rows.filter(example).head(5).to_list()))
    because = f"its case_id is {EXAMPLE_CASE}, as in the template"
    return table.without(example, ReadingAssumption(settings.ABOUT_EXAMPLE, f"row {rows} left out", because))


def _without_tail(table: Untidy) -> Untidy:
    tail = find_tail(table.frame)
    for about, indices, because in (
        (settings.ABOUT_TOTALS, tail.totals, "they hold totals, means or counts of the rows above"),
        (settings.ABOUT_NOTES, tail.notes, "they hold one sentence and no values"),
    ):
        if not indices:
            continue
        numbers = ", ".join(map(str, table.rows.gather(sorted(indices)).to_list()))
        note = ReadingAssumption(about, f"row {numbers} left out", because)
        table = replace(table, assumptions=(*table.assumptions, note))
    n_keep = table.frame.height - len(tail.totals) - len(tail.notes)
    return replace(table, frame=table.frame.head(n_keep), rows=table.rows.head(n_keep))
