"""Delimited text. Values stay text exactly as given; only blanks at the ends of cells go.

Two routes give the same table. Where every line below the header is one row with the same number of cells, a columnar
reader takes the file in about a second per 150 MB. Everything irregular goes row by row through the standard library's
reader, which tells blank lines, short rows, rows that are too long and open quotation marks with their row numbers.
"""

import csv
import io
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import PurePath
from typing import IO, cast

import polars as pl

from pipelines.contract.delivery import RawTable, ReadingAssumption
from pipelines.reading import limits
from pipelines.reading.cells import STRAY, trimmed
from pipelines.reading.decimals import with_decimal_note
from pipelines.reading.encoding import to_utf8
from pipelines.reading.header import find_header
from pipelines.reading.kinds import SUFFIXES, unlike_its_name
from pipelines.reading.settings import ReadSettings
from pipelines.reading.source import FileBytes
from pipelines.reading.tidy import Untidy, tidied
from warehouse.errors import BadFileError

CANDIDATES = {",": "comma", ";": "semicolon", "\t": "tab", "|": "vertical bar"}

SAMPLE_RECORDS = 200
MIN_SHARE = 0.5  # least share of the first rows that must have the same number of cells


@dataclass(frozen=True, slots=True)
class Split:
    """The first records of a file under one delimiter."""

    delimiter: str  # The character
    records: list[list[str]]  # Cells of the first records, trimmed
    lines: list[int]  # Physical lines taken up to the end of each record
    width: int  # The most frequent number of cells among records with at least two
    share: float  # Share of the non-blank records that have it
    assumptions: tuple[ReadingAssumption, ...] = ()  # What was found out


def find_split(head: str, stated: str | None, where: str) -> Split:
    """Split the first lines at the stated or the best delimiter.

    The best is the one under which most records have the same number of cells, more cells winning ties. Raises
    BadFileError: every row is one cell, or no delimiter splits the rows alike.
    """
    if stated is not None:
        _check_stated(stated, where)
    splits = [split_at(head, delimiter) for delimiter in ([stated] if stated else CANDIDATES)]
    best = max(splits, key=lambda split: (split.share, split.width))
    if best.width < 2:
        raise _one_column(head, stated, where)
    if best.share < MIN_SHARE and not stated:
        found = "the rows have differing numbers of cells under every usual delimiter"
        expected = "a comma, semicolon, tab or vertical bar between the cells, the same number in each row"
        raise BadFileError(found, where=where, expected=expected, remedy="state the delimiter in the mapping")
    if stated:
        return best
    note = ReadingAssumption("delimiter", CANDIDATES[best.delimiter], f"it splits most rows into {best.width} cells")
    return Split(best.delimiter, best.records, best.lines, best.width, best.share, (note,))


def sep_line(head: str) -> tuple[str | None, int]:
    """The delimiter stated by a first line ``sep=;``, as some spreadsheet programs write it, and its length in bytes.

    Such a line is no row: a spreadsheet does not show it.
    """
    first = head.split("\n", 1)[0]
    text = first.rstrip("\r").strip('"')
    if len(text) == 5 and text.lower().startswith("sep=") and text.isascii():
        return text[4], len(first) + 1
    return None, 0


def _check_stated(delimiter: str, where: str) -> None:
    if len(delimiter) != 1 or not delimiter.isascii() or delimiter in '\r\n"\x00':
        found = f"the stated delimiter {delimiter[:10]!r} is not one plain character"
        expected = "one character, such as a comma, semicolon, tab or vertical bar"
        raise BadFileError(found, where=where, expected=expected, remedy="correct delimiter in the mapping")


def split_at(head: str, delimiter: str) -> Split:
    """The first records under one delimiter; reading stops quietly at a record that cannot be split."""
    reader = csv.reader(io.StringIO(head, newline=""), delimiter=delimiter)
    records, lines = [], []
    try:
        for record in islice(reader, SAMPLE_RECORDS):
            records.append([trimmed(cell) for cell in record])
            lines.append(reader.line_num)
    except csv.Error:
        pass  # the reading of the whole file tells it with its row
    counts = Counter(len(record) for record in records if any(record))
    several = [(n, width) for width, n in counts.items() if width >= 2]
    n, width = max(several, default=(0, 1))
    return Split(delimiter, records, lines, width, n / max(1, sum(counts.values())))


def _one_column(head: str, stated: str | None, where: str) -> BadFileError:
    expected = "several columns, with a comma, semicolon, tab or vertical bar between the cells"
    other = max((split_at(head, c) for c in CANDIDATES if c != stated), key=lambda split: (split.share, split.width))
    if stated and other.width > 1:
        label = CANDIDATES.get(stated, repr(stated))
        found = f"with the stated delimiter ({label}) every row is one cell"
        remedy = (
            f"the {CANDIDATES[other.delimiter]} splits it into {other.width} columns: correct delimiter in the mapping"
        )
        return BadFileError(found, where=where, expected=expected, remedy=remedy)
    if SUFFIXES.get(PurePath(where).suffix.lower()) == "workbook":
        return unlike_its_name(where)
    found = "every row is one cell: the file has one column only"
    remedy = "state the delimiter in the mapping if it is another character, or export the table again"
    return BadFileError(found, where=where, expected=expected, remedy=remedy)


_BATCH_ROWS = 50_000


def read_text(file: FileBytes, settings: ReadSettings) -> RawTable:
    """The table in a text file. Raises BadFileError: the text is not a table; the message says where it fails."""
    text, notes = to_utf8(file, settings.encoding)
    if b"\n" not in text and b"\r" in text:  # the oldest kind of line end, a bare carriage return, gets the usual one
        text = text.replace(b"\r", b"\n")
    head = _head(text, file.name)
    sep, n_sep = sep_line(head)
    del text[:n_sep]
    split = find_split(head[n_sep:], settings.delimiter or sep, file.name)
    header = find_header(split.records, split.width, file.name, settings.header_row)
    _check_width(len(header.names), file.name)
    region = _Region(text, _offset(head[n_sep:], split, header.first_data), header.first_data + 1, split.delimiter)
    frame, rows, short = _body(region, len(header.names), file.name)
    untidy = Untidy(
        source=file.source(),
        frame=frame.rename(dict(zip(frame.columns, header.names, strict=True))),
        rows=rows,
        where=file.name,
        unnamed=header.unnamed,
        assumptions=(*notes, *split.assumptions, *header.assumptions, *short),
        stray=_stray(text, split.delimiter),
    )
    table = tidied(untidy, skip_totals=settings.skip_totals)
    return table if settings.decimal else with_decimal_note(table)


@dataclass(frozen=True, slots=True)
class _Region:
    """The data below the header: UTF-8 text, where they begin in it, the row number of the first, the delimiter."""

    text: bytearray
    offset: int
    first_row: int
    delimiter: str

    def n_lines(self) -> int:
        """Lines, without the blank ones at the very end."""
        return self.text.count(b"\n", self.offset, _end(self.text)) + 1


def _head(text: bytearray, where: str) -> str:
    """The first lines, whole ones."""
    head = bytes(text[: limits.HEAD_BYTES])
    if len(text) > len(head):
        head = head[: head.rfind(b"\n") + 1]
    if not head:
        found = f"one line is longer than {limits.HEAD_BYTES:,} bytes"
        raise BadFileError(found, where=where, expected="a table with one row a line", remedy="export it again as CSV")
    return head.decode("utf-8")


def _stray(text: bytearray, delimiter: str) -> str:
    """The characters to trim that cells of this text can hold; unquoted cells hold no line end and no delimiter."""
    outside = "" if b'"' in text else f"\r\n{delimiter}"
    return "".join(c for c in STRAY if c not in outside and _holds(text, c))


def _holds(text: bytearray, character: str) -> bool:
    """Whether a character occurs; the search for its first byte alone is far faster and usually settles it."""
    code = character.encode()
    return code[:1] in text and (len(code) == 1 or code in text)


def _end(text: bytearray) -> int:
    """Length without the line ends at the very end."""
    end = len(text)
    while end and text[end - 1] in b"\r\n":
        end -= 1
    return end


def _check_width(width: int, where: str) -> None:
    if width > limits.MAX_COLUMNS:
        found = f"the table has {width:,} columns"
        remedy = "give one row a case with its measures, not one column a case"
        raise BadFileError(found, where=where, expected=f"at most {limits.MAX_COLUMNS:,}", remedy=remedy)


def _check_cells(region: _Region, width: int, where: str) -> None:
    n_lines = region.n_lines()
    if n_lines * width > limits.MAX_CELLS:
        found = f"the table has {n_lines:,} lines of {width:,} columns"
        expected = f"at most {limits.MAX_CELLS:,} cells"
        raise BadFileError(found, where=where, expected=expected, remedy="split it into several files")


def _offset(head: str, split: Split, first_data: int) -> int:
    """Bytes before the first data row."""
    n_lines = split.lines[first_data - 1]
    return sum(len(line.encode()) for line in islice(io.StringIO(head, newline=""), n_lines))


def _body(region: _Region, width: int, where: str) -> tuple[pl.DataFrame, pl.Series, tuple[ReadingAssumption, ...]]:
    """The cells below the header, row numbers, and the record of short rows."""
    _check_cells(region, width, where)
    frame = _regular(region, width)
    short: tuple[ReadingAssumption, ...] = ()
    if frame is None:
        frame, short = _irregular(region, width, where)
    rows = pl.Series("row", range(region.first_row, region.first_row + frame.height), dtype=pl.UInt32)
    return frame, rows, short


def _regular(region: _Region, width: int) -> pl.DataFrame | None:
    """The fast route, or None where the lines are not one row of ``width`` cells each."""
    import pyarrow as pa
    import pyarrow.csv as arrow_csv

    names = [str(i) for i in range(width)]
    end = _end(region.text)
    if end <= region.offset:
        return pl.DataFrame(schema=dict.fromkeys(names, pl.String))
    view = memoryview(region.text)[region.offset : end]
    try:
        table = arrow_csv.read_csv(
            cast("IO[bytes]", pa.BufferReader(pa.py_buffer(view))),
            read_options=arrow_csv.ReadOptions(column_names=names, block_size=2 * limits.MAX_LINE_BYTES),
            parse_options=arrow_csv.ParseOptions(
                delimiter=region.delimiter, newlines_in_values=b'"' in region.text, ignore_empty_lines=False
            ),
            convert_options=arrow_csv.ConvertOptions(
                column_types=dict.fromkeys(names, pa.string()),
                null_values=[""],
                strings_can_be_null=True,
                check_utf8=False,
            ),
        )
    except pa.ArrowInvalid:
        return None
    if table.num_rows != region.n_lines():
        return None  # a cell holds line ends, or a quotation mark swallowed rows: the careful route tells which
    frame = pl.from_arrow(table, rechunk=False)
    return frame if isinstance(frame, pl.DataFrame) else None


def _irregular(region: _Region, width: int, where: str) -> tuple[pl.DataFrame, tuple[ReadingAssumption, ...]]:
    """The careful route: blank lines become blank rows, short rows are filled up, longer ones refused."""
    short: list[int] = []
    batches = [
        pl.DataFrame(batch, schema=[(str(i), pl.String) for i in range(width)], orient="row")
        for batch in _batches(_records(region, width, where, short))
    ]
    frame = pl.concat(batches).with_columns(pl.when(pl.all() != "").then(pl.all()))
    if not short:
        return frame, ()
    first = ", ".join(map(str, short[:5]))
    note = ReadingAssumption(
        "short rows",
        f"{len(short)} filled up with blank cells",
        f"they have fewer cells than the header; the first: {first}",
    )
    return frame, (note,)


def _batches(records: Iterator[list[str]]) -> Iterator[list[list[str]]]:
    while batch := list(islice(records, _BATCH_ROWS)):
        yield batch


def _records(region: _Region, width: int, where: str, short: list[int]) -> Iterator[list[str]]:
    """Each record with exactly ``width`` cells; row numbers of the short ones are added to ``short``."""
    text = io.TextIOWrapper(io.BytesIO(bytes(region.text[region.offset : _end(region.text)])), "utf-8", newline="")
    reader = csv.reader(text, delimiter=region.delimiter, strict=True)
    row = region.first_row - 1
    try:
        for row, record in enumerate(reader, start=region.first_row):
            if len(record) > width and any(map(trimmed, record[width:])):
                raise _too_long(len(record), width, f"{where}, row {row}", region.delimiter)
            if _holds_rows(record, width, region.delimiter):
                raise _open_quote(f"{where}, row {row}")
            if 0 < len(record) < width:
                short.append(row)
            yield record[:width] + [""] * (width - len(record))
    except csv.Error as error:
        raise _unreadable(error, f"{where}, row {row + 1}") from error


def _holds_rows(record: list[str], width: int, delimiter: str) -> bool:
    """Whether a cell holds lines with as many delimiters as a row: rows between two stray quotation marks."""
    return width > 2 and any(
        line.count(delimiter) >= width - 1 for cell in record if "\n" in cell for line in cell.split("\n")[1:]
    )


def _too_long(n_cells: int, width: int, where: str, delimiter: str) -> BadFileError:
    label = CANDIDATES.get(delimiter, repr(delimiter))
    found = f"the row has {n_cells} cells, the header {width}"
    remedy = f"put cells that hold a {label} in quotation marks, or export with another delimiter"
    return BadFileError(found, where=where, expected="as many cells in each row as in the header", remedy=remedy)


def _unreadable(error: csv.Error, where: str) -> BadFileError:
    if "field limit" in str(error):
        found = f"a cell holds more than {limits.MAX_CELL_CHARS:,} characters"
        return BadFileError(found, where=where, expected="short values", remedy="correct it and export the table again")
    return _open_quote(where)


def _open_quote(where: str) -> BadFileError:
    found = "a quotation mark is opened and not closed, or stands inside a quoted cell without being doubled"
    remedy = "correct the quotation marks there, or export the table again"
    return BadFileError(found, where=where, expected="quoted cells closed before the next delimiter", remedy=remedy)
