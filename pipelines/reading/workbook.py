"""Workbooks (XLSX, ODS, XLS): each visible sheet that holds a table becomes one.

Cells come as text: dates as ``YYYY-MM-DD``, numbers in their shortest form. Row numbers are those the sheet shows, also
where it begins with blank rows. Sheets are named by position in messages, since a sheet may bear a person's name.
"""

from __future__ import annotations

import io
import re
import zipfile
import zlib
from array import array
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from itertools import pairwise
from xml.parsers.expat import ExpatError, ParserCreate

import polars as pl
from fastexcel import ExcelSheet
from xlsxwriter.utility import xl_col_to_name

from pipelines.contract.delivery import RawTable, ReadingAssumption
from pipelines.reading import limits
from pipelines.reading import settings as about
from pipelines.reading.cells import listed, trimmed
from pipelines.reading.decimals import find_marks, with_decimal_note
from pipelines.reading.header import find_header
from pipelines.reading.kinds import OLD_CONTAINER
from pipelines.reading.settings import ReadSettings
from pipelines.reading.source import FileBytes
from pipelines.reading.template_marks import EXAMPLE_CASE, REASONS, TEMPLATE_HELP, TEMPLATE_MARK
from pipelines.reading.tidy import Untidy, tidied
from warehouse.errors import BadFileError

_DAMAGE = (zipfile.BadZipFile, zlib.error, ExpatError, EOFError, OSError, ValueError, NotImplementedError, RuntimeError)
_PIECE = 1 << 22
_MAX_CARRY = 1 << 22

# A place is looked for anywhere, not only inside a well-formed tag, and tags are counted by their first letters:
# counting too much is safe, too little is not. Patterns begin with a plain letter, which makes the search fast.
_PLACE = re.compile(rb"""r\s*=\s*["']([A-Za-z]*\d+)["']""")
_CELL = re.compile(rb"<(?:\w+:)?c[\s>/]")
_DIGITS = b"0123456789"
_LETTERS = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz"
_EMPTY_CELL = re.compile(rb"""<(?:\w+:)?c(?:\s+\w+="\w*")*\s*(?:/>|>\s*</(?:\w+:)?c>)""")
_EMPTY_ROW = re.compile(rb"""<(?:\w+:)?row(?:\s+[\w:]+="[\w.:]*")*\s*(?:/>|>\s*</(?:\w+:)?row>)""")
_FORMULA = re.compile(
    rb"<(?:\w+:)?c\b([^<>]*)>\s*<(?:\w+:)?f\b[^<>]*(?:/>|>[^<]*</(?:\w+:)?f>)\s*"
    rb"(?:<(?:\w+:)?v\s*/>|<(?:\w+:)?v></(?:\w+:)?v>)?\s*</(?:\w+:)?c>"
)
_HIDDEN = re.compile(rb'''<(?:\w+:)?col\b(?=[^<>]*hidden="(?:1|true)")(?=[^<>]*min="(\d{1,5})")[^<>]*max="(\d{1,5})"''')
_SHARED = re.compile(rb"""t\s*=\s*["']s["']""")
_SHARED_CELL = re.compile(rb"""t\s*=\s*["']s["'][^<]{0,200}<(?:\w+:)?v>(\d{1,9})<""")
_SHARED_TEXT = re.compile(rb"<(?:\w+:)?si[\s>/]")


@dataclass(slots=True)
class _PartCount:
    """What one part of the archive holds."""

    n_cells: int = 0
    n_rows: int = 0
    last_row: int = 0  # Largest row that a cell or row gives as its place
    last_column: int = 0  # Largest column that a cell gives as its place
    widest: int = 0  # Most cells between two row tags; cells without a place stand side by side
    open: int = 0  # Cells since the last row tag
    errors: int = 0  # Cells that show an error
    no_result: int = 0  # Formulas without a stored result
    hidden: set[int] = field(default_factory=set)  # Columns that are hidden, from 1
    shared: array[int] = field(default_factory=lambda: array("Q"))  # Bytes of each shared text

    @property
    def rectangle(self) -> int:
        """Cells from the first row and column to the farthest ones."""
        return max(self.last_row, self.n_rows) * max(1, self.last_column, self.widest)


@dataclass(frozen=True, slots=True)
class WorkbookCount:
    """Cells with a spreadsheet error, and formulas whose result no program has stored, over all sheets."""

    errors: int
    no_result: int
    hidden: tuple[str, ...] = ()  # Letters of hidden columns, over all sheets


def check_workbook(file: FileBytes) -> WorkbookCount:
    """Refuse what is not a sound workbook of bearable size.

    Raises BadFileError: the archive is damaged, protected, no XLSX or ODS workbook, or would unpack to more than the
    limits; or a workbook of the old kind is larger than its own.
    """
    if file.data.startswith(OLD_CONTAINER):
        if file.n_bytes > limits.MAX_OLD_WORKBOOK_BYTES:
            found = f"the workbook of the old .xls kind has {file.n_bytes:,} bytes"
            expected = f"at most {limits.MAX_OLD_WORKBOOK_BYTES:,}"
            raise BadFileError(found, where=file.name, expected=expected, remedy="open it and save it as XLSX")
        return WorkbookCount(0, 0)
    try:
        with zipfile.ZipFile(io.BytesIO(file.data)) as archive:
            if _check_directory(archive, file):
                _check_open_document(archive, file.name)
                return WorkbookCount(0, 0)
            return _check_parts(archive, file.name)
    except _DAMAGE as error:
        raise damaged(file.name) from error


def damaged(name: str) -> BadFileError:
    """The error for a workbook that cannot be unpacked or parsed."""
    found = "the workbook is damaged or cut off"
    remedy = "copy or download it again, or open it in a spreadsheet program and save it anew"
    return BadFileError(found, where=name, expected="a complete workbook", remedy=remedy)


def _check_directory(archive: zipfile.ZipFile, file: FileBytes) -> bool:
    """Whether the archive is an OpenDocument spreadsheet, and no XLSX workbook."""
    parts, name = archive.infolist(), file.name
    names = {part.filename.lower() for part in parts}
    is_open = {"content.xml", "mimetype"} <= names and b"opendocument.spreadsheet" in archive.open("mimetype").read(99)
    if "xl/workbook.xml" not in names and not is_open:
        raise _other_archive(names, name)
    if any(part.flag_bits & 1 for part in parts):
        remedy = "save it again without a password"
        raise BadFileError("parts of the workbook are protected by a password", where=name, remedy=remedy)
    _limit(len(parts), limits.MAX_PACKED_PARTS, "parts", name)
    a_byte, always = limits.UNPACKED_A_BYTE, limits.ALWAYS_UNPACKED_BYTES
    unpacked = limits.most(limits.MAX_UNPACKED_BYTES, file.n_bytes, a_byte=a_byte, always=always)
    _limit(sum(part.file_size for part in parts), unpacked, "bytes when unpacked", name)
    return is_open


class _OpenDocument:
    """Counts what the cells of an OpenDocument spreadsheet spread out to: one may stand for a million."""

    def __init__(self, where: str) -> None:
        self.where = where
        self.rows = self.cells = self.blanks = self.repeat = self.columns = self.letters = 0
        self.extent = self.text = 0

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        if tag == "table:table":
            self.rows = 0
        elif tag == "table:table-row":
            self.repeat = _times(attributes, "table:number-rows-repeated")
            self.cells = self.blanks = self.letters = 0
        elif tag in ("table:table-cell", "table:covered-table-cell"):
            self.columns = _times(attributes, "table:number-columns-repeated")
            if "office:value-type" in attributes or "table:formula" in attributes:
                self.cells, self.blanks = self.cells + self.blanks + self.columns, 0
            else:
                self.blanks += self.columns

    def letter(self, data: str) -> None:
        self.letters += len(data) * self.columns

    def end(self, tag: str) -> None:
        if tag != "table:table-row":
            return
        self.rows += self.repeat
        if self.cells:
            self.extent = max(self.extent, self.rows * self.cells)
            self.text += self.letters * self.repeat
        _limit(self.extent, limits.MAX_WORKBOOK_CELLS, "cells between the corners of one sheet", self.where)
        _limit(self.text, limits.MAX_SHEET_TEXT_BYTES, "letters in its cells", self.where)


def _times(attributes: dict[str, str], name: str) -> int:
    said = attributes.get(name, "1")
    return int(said) if said.isdecimal() and len(said) < 9 else limits.MAX_WORKBOOK_CELLS


def _check_open_document(archive: zipfile.ZipFile, name: str) -> None:
    if b"encryption-data" in archive.read("META-INF/manifest.xml"):
        remedy = "save it again without a password"
        raise BadFileError("the workbook is protected by a password", where=name, remedy=remedy)
    count, parser = _OpenDocument(name), ParserCreate()
    parser.StartElementHandler, parser.EndElementHandler = count.start, count.end
    parser.CharacterDataHandler = count.letter
    with archive.open("content.xml") as stream:
        while piece := stream.read(_PIECE):
            if b"<!DOCTYPE" in piece or b"<!ENTITY" in piece:
                raise damaged(name)
            parser.Parse(piece)
    parser.Parse(b"", True)


def _other_archive(names: set[str], name: str) -> BadFileError:
    if "xl/workbook.bin" in names:
        found, remedy = "this is a binary workbook (.xlsb)", "open it and save it as XLSX"
    elif "content.xml" in names:
        found, remedy = "this is an OpenDocument file, but no spreadsheet", "open it and save its table as ODS or CSV"
    elif any(part.startswith(("word/", "ppt/")) for part in names):
        found, remedy = "this is a text or slides document, not a workbook", "copy its table into a workbook"
    else:
        found, remedy = "this is a zip archive, not a table", "unpack it and give the files inside"
    return BadFileError(found, where=name, expected="an XLSX or ODS workbook", remedy=remedy)


def _limit(value: int, limit: int, label: str, where: str) -> None:
    if value > limit:
        found = f"the workbook holds {value:,} {label}"
        remedy = "delete what is not the table, or export the table as CSV or Parquet"
        raise BadFileError(found, where=where, expected=f"at most {limit:,}", remedy=remedy)


def _check_parts(archive: zipfile.ZipFile, name: str) -> WorkbookCount:
    counts = {part.filename: _counted(archive, part, name) for part in archive.infolist()}
    shared = max((count.shared for count in counts.values()), key=len, default=array("Q"))
    longest = max(shared, default=0)
    for part in archive.infolist():
        if longest * counts[part.filename].n_cells > limits.MAX_SHEET_TEXT_BYTES:
            n_bytes = _shared_bytes(archive, part, shared)
            _limit(n_bytes, limits.MAX_SHEET_TEXT_BYTES, "bytes of text in the cells of one sheet", name)
    hidden = sorted({column for c in counts.values() for column in c.hidden})
    errors, no_result = (sum(getattr(c, name) for c in counts.values()) for name in ("errors", "no_result"))
    return WorkbookCount(errors, no_result, tuple(xl_col_to_name(column - 1) for column in hidden))


def _counted(archive: zipfile.ZipFile, part: zipfile.ZipInfo, name: str) -> _PartCount:
    count = _count(_pieces(archive, part), name, bare=False)
    if count.rectangle > limits.MAX_WORKBOOK_CELLS:  # cells that carry only a format take no room when read
        count = _count(_pieces(archive, part), name, bare=True)
    _limit(count.rectangle, limits.MAX_WORKBOOK_CELLS, "cells between the corners of one sheet", name)
    return count


def _pieces(archive: zipfile.ZipFile, part: zipfile.ZipInfo) -> Iterator[bytes]:
    """A part unpacked piece by piece, cut after whole rows or shared texts.

    No more comes out than the directory says, and the checksum fails where the directory lies.

    Raises zipfile.BadZipFile: the part is damaged, or is in an encoding in which its tags cannot be counted.
    """
    carry = b""
    with archive.open(part) as stream:
        while piece := stream.read(_PIECE):
            if piece.startswith((b"\xff\xfe", b"\xfe\xff")):
                raise zipfile.BadZipFile("UTF-16 inside a workbook")
            whole = carry + piece
            cut = max(whole.rfind(b"row>"), whole.rfind(b"si>"))
            cut = len(whole) if len(whole) - cut > _MAX_CARRY else cut
            yield whole[:cut]
            carry = whole[cut:]
    yield carry


def _count(pieces: Iterator[bytes], where: str, *, bare: bool) -> _PartCount:
    """Extent of a sheet by the places its cells give, and by plain counts where they give none.

    ``bare`` leaves cells and rows that hold nothing out of the count.
    """
    count = _PartCount()
    for whole in pieces:
        piece = _EMPTY_ROW.sub(b"", _EMPTY_CELL.sub(b"", whole)) if bare else whole
        _add_extent(count, piece, exact=bare)
        count.errors += piece.count(b't="e"')
        for first, last in _HIDDEN.findall(piece):
            count.hidden.update(range(int(first), min(int(last), limits.MAX_COLUMNS) + 1))
        if b"<f" in piece:
            count.no_result += sum(b't="str"' not in attributes for attributes in _FORMULA.findall(piece))
        if b"si>" in piece:
            starts = [match.start() for match in _SHARED_TEXT.finditer(piece)]
            count.shared.extend(b - a for a, b in pairwise([*starts, len(piece)]))
        _limit(count.n_cells, limits.MAX_WORKBOOK_CELLS, "cells in one sheet", where)
    return count


def _add_extent(count: _PartCount, piece: bytes, *, exact: bool) -> None:
    """Add the places and cells of a piece; where not exact, other tags in ``c`` may be counted as cells too."""
    places = b" ".join(_PLACE.findall(piece))
    columns = set(places.translate(None, _DIGITS).split())
    rows = set(places.translate(None, _LETTERS).split())
    count.last_row = max(count.last_row, *map(int, rows), 0)
    count.last_column = max(count.last_column, *map(_column_number, columns), 0)
    count.n_rows += piece.count(b"<row") + piece.count(b":row")
    in_rows = [_cells(part, exact=exact) for part in piece.split(b"row")]
    in_rows[0] += count.open
    count.widest = max(count.widest, *in_rows)
    count.n_cells += sum(in_rows) - count.open
    count.open = in_rows[-1]


def _cells(part: bytes, *, exact: bool) -> int:
    return len(_CELL.findall(part)) if exact else part.count(b"<c") + part.count(b":c")


def _column_number(letters: bytes) -> int:
    number = 0
    for letter in letters.upper():
        number = number * 26 + letter - 64
    return number


def _shared_bytes(archive: zipfile.ZipFile, part: zipfile.ZipInfo, shared: array[int]) -> int:
    """Bytes of text of a sheet once each shared text is written out where it is referred to.

    A reference written in an unusual way counts as one to the longest text.
    """
    used: Counter[bytes] = Counter()
    n_references = 0
    for piece in _pieces(archive, part):
        used.update(_SHARED_CELL.findall(piece))
        n_references += len(_SHARED.findall(piece))
    known = sum(n * shared[int(index)] for index, n in used.items() if int(index) < len(shared))
    return known + max(0, n_references - used.total()) * max(shared)


_HEAD_ROWS = 100
_MIDNIGHT = r"^(\d{4}-\d{2}-\d{2}) 00:00:00$"
_WITH_POINT = r"^([+\-]?\d+)\.(\d+)$"


def read_workbook(file: FileBytes, settings: ReadSettings) -> list[RawTable]:
    """The tables of a workbook, in the order of its sheets.

    Raises:
        BadFileError: The workbook is damaged, too large, without such a sheet or any table, or one table is unusable.
    """
    count = check_workbook(file)
    sheets = _load(file, settings.sheet)
    shared = _count_notes(count)
    frames, left_out = _tables_among(sheets, stated=settings.sheet is not None and not sheets[0].is_corrected)
    if not frames:
        found = "no visible sheet holds a table" if settings.sheet is None else "the stated sheet holds no table"
        expected = "a header and at least one row, in two or more columns"
        raise BadFileError(found, where=file.name, expected=expected, remedy="name the sheet, or export it again")
    if left_out:
        taken = f"sheets {', '.join(map(str, left_out))}" if len(left_out) > 1 else f"sheet {left_out[0]}"
        shared = (
            *shared,
            ReadingAssumption("sheets left out", taken, "hidden, explaining the template, or without a table"),
        )
    return [_table(file, sheet, shared, settings, several=len(sheets) > 1) for sheet in frames]


class _Sheet:
    """One loaded sheet: position from 1, name, whether it is shown, place of its first column, cells as text.

    ``is_corrected``: it is of a workbook that Menton wrote of rows turned away, whose headings stand in row 1.
    """

    __slots__ = ("first_column", "frame", "is_corrected", "is_help", "name", "position", "visible")

    def __init__(self, position: int, name: str, loaded: ExcelSheet, *, is_help: bool, is_corrected: bool) -> None:
        self.is_corrected = is_corrected
        self.position = position
        self.name = name
        self.visible = loaded.visible == "visible"
        self.is_help = is_help
        columns = loaded.available_columns()
        self.first_column = columns[0].absolute_index if columns else 0
        self.frame: pl.DataFrame = loaded.to_polars() if columns else pl.DataFrame()

    def holds_table(self) -> bool:
        """Whether at least two rows and two columns have a filled cell, the template's example row left out."""
        filled = [n < self.frame.height for n in self.frame.null_count().row(0)] if self.frame.width else []
        if sum(filled) < 2:
            return False
        is_row = ~pl.all_horizontal(pl.all().is_null()) & pl.first().ne_missing(EXAMPLE_CASE)
        return int(self.frame.select(is_row).to_series().sum()) >= 2


def _load(file: FileBytes, stated: str | None) -> list[_Sheet]:
    import fastexcel

    try:
        reader = fastexcel.read_excel(bytes(file.data))
        names = list(reader.sheet_names)
        if len(names) > limits.MAX_SHEETS:
            found = f"the workbook has {len(names):,} sheets"
            raise BadFileError(found, where=file.name, expected=f"at most {limits.MAX_SHEETS}")
        is_template = any(defined.name == TEMPLATE_MARK for defined in reader.defined_names())
        is_corrected = is_template and REASONS in names
        if stated is not None and stated not in names:
            if not is_corrected:
                raise _no_such_sheet(stated, len(names), file.name)
            stated = None
        return [
            _Sheet(
                position,
                name,
                reader.load_sheet(name, header_row=None, skip_rows=0, dtypes="string"),
                is_help=is_template and name in {*TEMPLATE_HELP, REASONS},
                is_corrected=is_corrected,
            )
            for position, name in enumerate(names, start=1)
            if stated in {None, name}
        ]
    except fastexcel.FastExcelError as error:
        raise damaged(file.name) from error
    except BaseException as error:
        if type(error).__name__ == "PanicException":  # a crash inside the library, which is no Exception
            raise damaged(file.name) from error
        raise


def _no_such_sheet(stated: str, n_sheets: int, where: str) -> BadFileError:
    found = f"no sheet is called {stated!r}"
    expected = f"the name of one of its {n_sheets} sheets, in the same capital and small letters"
    return BadFileError(found, where=where, expected=expected, remedy="correct sheet in the mapping")


def _tables_among(sheets: list[_Sheet], *, stated: bool) -> tuple[list[_Sheet], list[int]]:
    """Sheets to read, and the positions of those left out. A stated sheet is read also when it is hidden."""
    chosen = [s for s in sheets if s.holds_table() and (stated or (s.visible and not s.is_help))]
    return chosen, [s.position for s in sheets if s not in chosen]


def _count_notes(count: WorkbookCount) -> tuple[ReadingAssumption, ...]:
    notes = []
    if count.errors:
        taken = f"{count.errors} taken as blank"
        notes.append(ReadingAssumption("cells with a spreadsheet error", taken, "they show an error such as #DIV/0!"))
    if count.no_result:
        because = "no program has stored their result; open the workbook in a spreadsheet program and save it"
        notes.append(
            ReadingAssumption("formulas without a stored result", f"{count.no_result} taken as blank", because)
        )
    if count.hidden:
        because = "what is hidden in a sheet may have been meant to stay out of it"
        notes.append(ReadingAssumption("hidden columns", f"read like the others: {', '.join(count.hidden)}", because))
    return tuple(notes)


def _table(
    file: FileBytes, sheet: _Sheet, shared: tuple[ReadingAssumption, ...], settings: ReadSettings, *, several: bool
) -> RawTable:
    where = f"{file.name}, sheet {sheet.position}" if several else file.name
    frame = sheet.frame
    if frame.width > limits.MAX_COLUMNS:
        found = f"the sheet has {frame.width:,} columns"
        remedy = "give one row a case with its measures, not one column a case"
        raise BadFileError(found, where=where, expected=f"at most {limits.MAX_COLUMNS:,}", remedy=remedy)
    head = [[trimmed(cell or "") for cell in row] for row in frame.head(_HEAD_ROWS).iter_rows()]
    width = sum(n < frame.height for n in frame.null_count().row(0))
    header = find_header(
        head, width, where, 1 if sheet.is_corrected else settings.header_row, first_column=sheet.first_column
    )
    data = frame.slice(header.first_data).rename(dict(zip(frame.columns, header.names, strict=True)))
    untidy = Untidy(
        source=file.source(sheet.name),
        frame=data.with_columns(pl.all().str.replace(_MIDNIGHT, "$1")),
        rows=pl.Series("row", range(header.first_data + 1, frame.height + 1), dtype=pl.UInt32),
        where=where,
        first_column=sheet.first_column,
        unnamed=header.unnamed,
        assumptions=(*shared, *header.assumptions),
    )
    return _one_notation(tidied(untidy, skip_totals=settings.skip_totals), settings)


def _one_notation(table: RawTable, settings: ReadSettings) -> RawTable:
    """Numbers typed as numbers in the notation of the numbers typed as text, so that the table has one decimal mark.

    Where a workbook holds both, the former would come with a point and the latter with a comma in one column, and no
    single decimal mark would read both.
    """
    marks = find_marks(table.frame)
    if settings.decimal == "." or (settings.decimal is None and not marks.comma):
        return table if settings.decimal else with_decimal_note(table)
    frame = table.frame.with_columns(pl.col(pl.String).str.replace(_WITH_POINT, "${1},${2}"))
    why = f"text cells use it in {listed(list(marks.comma))}" if settings.decimal is None else "it is stated"
    note = ReadingAssumption(about.ABOUT_DECIMAL, ",", f"{why}; numbers typed as numbers are written alike")
    return replace(table, frame=frame, assumptions=(*table.assumptions, note))
