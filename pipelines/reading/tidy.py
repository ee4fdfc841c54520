"""What is taken away from a table as read: stray blanks, blank rows and columns, totals, notes, the example row.

Everything taken away is recorded as an assumption; no value is changed.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

import polars as pl
from xlsxwriter.utility import xl_col_to_name

from pipelines.contract.delivery import FileSource, RawTable, ReadingAssumption
from pipelines.reading import limits
from pipelines.reading.cells import STRAY, is_number, listed
from pipelines.reading.header import unnamed_note
from pipelines.reading.template_marks import EXAMPLE_CASE
from warehouse.errors import BadFileError

MAX_TAIL = 15  # rows from the bottom that are looked at

_LABEL = re.compile(
    r"^(?:(?:grand |sub)?totals?|sum|summe|gesamt(?:summe)?|zwischensumme|insgesamt|somme|suma|totale|totaal"
    r"|mean|average|avg\.?|mittel(?:wert)?|durchschnitt|moyenne|media|promedio|median|count|anzahl|nombre)"
    r"(?:\s*[:=(±+].*|\s+\d+|\s+(?:cases|patients|rows|n|values|fälle|patienten|cas))?$"
    r"|^n\s*[:=]\s*\d+$"
    r"|^(?:s\.?d\.?|std\.?(?:\s?dev\.?)?|stdev|min(?:imum)?|max(?:imum)?|range|ø|σ|Σ)\s*:?$",
    re.IGNORECASE,
)
_NOTE_WORDS = 3


@dataclass(frozen=True, slots=True)
class Tail:
    """0-based indices of the rows below the data."""

    totals: tuple[int, ...] = ()
    notes: tuple[int, ...] = ()


def find_tail(frame: pl.DataFrame) -> Tail:
    """The rows of totals and the notes at the end of a trimmed table (null for blank)."""
    start = max(0, frame.height - MAX_TAIL)
    last = frame.slice(start).cast(pl.String, strict=False).rows()
    candidates = [_candidate(row) for row in last]
    first = _first_of_block(candidates)
    block = candidates[first:]
    body = frame.head(start + first)
    totals, notes = [], []
    for offset, kind in reversed(list(enumerate(block))):
        at = start + first + offset
        if kind == "note":
            notes.append(at)
        elif kind == "label" or _is_arithmetic(last[first + offset], body):
            totals.append(at)
        else:
            break
    return Tail(tuple(sorted(totals)), tuple(sorted(notes)))


def _first_of_block(candidates: list[str]) -> int:
    """Index of the first row of the unbroken run of candidates at the end."""
    first = len(candidates)
    while first > 0 and candidates[first - 1]:
        first -= 1
    return first


def _candidate(row: tuple[str | None, ...]) -> str:
    """``label``, ``note``, ``numbers`` (may be totals) or "" for an ordinary row."""
    filled = [cell for cell in row if cell is not None]
    if _LABEL.match(filled[0]):
        return "label"
    if len(filled) == 1 and len(filled[0].split()) >= _NOTE_WORDS and not is_number(filled[0]):
        return "note"
    return "numbers" if row[0] is None and all(map(is_number, filled)) else ""


def _is_arithmetic(row: tuple[str | None, ...], body: pl.DataFrame) -> bool:
    if body.height < 2:
        return False
    filled = [(i, cell) for i, cell in enumerate(row) if cell is not None]
    hits = sum(_matches(cell, body.to_series(i)) for i, cell in filled)
    return hits * 2 >= len(filled)


def _matches(cell: str, column: pl.Series) -> bool:
    """Whether the number is a summary of the column, to the decimals shown."""
    shown = _plain(cell)
    values = column.cast(pl.String).str.replace(",", ".", literal=True).cast(pl.Float64, strict=False).drop_nulls()
    if shown is None or values.len() < 2:
        return False
    number, tolerance = shown
    summaries = (values.sum(), values.len(), values.mean(), values.median(), values.min(), values.max(), values.std())
    return any(
        isinstance(value, int | float) and abs(value - number) <= tolerance + 1e-9 * abs(number) for value in summaries
    )


def _plain(cell: str) -> tuple[float, float] | None:
    """The number and half a unit of its last decimal, where it has at most one decimal mark."""
    text = cell.replace(",", ".").rstrip("%° ").replace("−", "-")
    try:
        number = float(text)
    except ValueError:
        return None
    decimals = len(text.partition(".")[2]) if "e" not in text.lower() else 0
    return number, 0.5 * 10.0**-decimals


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
            self, frame=self.frame.filter(keep), rows=self.rows.filter(keep), assumptions=(*self.assumptions, note)
        )


def tidied(table: Untidy, *, skip_totals: bool) -> RawTable:
    """The raw table. Raises BadFileError: a cell is longer than a spreadsheet cell may be, or no row is left."""
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
        f"{table.where}, row {rows[0]}, column {xl_col_to_name(table.first_column + table.frame.columns.index(name))}"
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
    return table.without(blank, ReadingAssumption("blank rows", taken, because))


def _without_blank_columns(table: Untidy) -> Untidy:
    frame = table.frame
    blank = [name for name, n in zip(frame.columns, frame.null_count().row(0), strict=True) if n == frame.height]
    named = [name for name in blank if frame.columns.index(name) not in table.unnamed]
    kept = [i for i in sorted(table.unnamed) if frame.columns[i] not in blank]
    notes = list(table.assumptions)
    if named:
        notes.append(
            ReadingAssumption("blank columns", f"left out: {listed(named)}", "no cell below the name is filled")
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
    return table.without(example, ReadingAssumption("example row", f"row {rows} left out", because))


def _without_tail(table: Untidy) -> Untidy:
    tail = find_tail(table.frame)
    for about, indices, because in (
        ("totals rows", tail.totals, "they hold totals, means or counts of the rows above"),
        ("notes below the table", tail.notes, "they hold one sentence and no values"),
    ):
        if not indices:
            continue
        numbers = ", ".join(map(str, table.rows.gather(sorted(indices)).to_list()))
        note = ReadingAssumption(about, f"row {numbers} left out", because)
        table = replace(table, assumptions=(*table.assumptions, note))
    n_keep = table.frame.height - len(tail.totals) - len(tail.notes)
    return replace(table, frame=table.frame.head(n_keep), rows=table.rows.head(n_keep))
