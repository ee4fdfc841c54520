"""Workbooks (XLSX, ODS, XLS): each visible sheet that holds a table becomes one.

Cells come as text: dates as ``YYYY-MM-DD``, numbers in their shortest form. Row numbers are those the sheet shows, also
where it begins with blank rows. Sheets are named by position in messages, since a sheet may bear a person's name.
"""

from __future__ import annotations

from dataclasses import replace

import polars as pl
from fastexcel import ExcelSheet

from pipelines.contract.delivery import RawTable, ReadingAssumption
from pipelines.reading import limits
from pipelines.reading import settings as about
from pipelines.reading.cells import listed, trimmed
from pipelines.reading.decimals import find_marks, with_decimal_note
from pipelines.reading.header import find_header
from pipelines.reading.settings import ReadSettings
from pipelines.reading.source import FileBytes
from pipelines.reading.template_marks import EXAMPLE_CASE, REASONS, TEMPLATE_HELP, TEMPLATE_MARK
from pipelines.reading.tidy import Untidy, tidied
from pipelines.reading.workbook_safety import WorkbookCount, check_workbook, damaged
from warehouse.errors import BadFileError

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
            ReadingAssumption(about.ABOUT_SHEETS, taken, "hidden, explaining the template, or without a table"),
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
        notes.append(ReadingAssumption(about.ABOUT_SHEET_ERRORS, taken, "they show an error such as #DIV/0!"))
    if count.no_result:
        because = "no program has stored their result; open the workbook in a spreadsheet program and save it"
        notes.append(ReadingAssumption(about.ABOUT_FORMULAS, f"{count.no_result} taken as blank", because))
    if count.hidden:
        because = "what is hidden in a sheet may have been meant to stay out of it"
        notes.append(ReadingAssumption(about.ABOUT_HIDDEN, f"read like the others: {', '.join(count.hidden)}", because))
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
