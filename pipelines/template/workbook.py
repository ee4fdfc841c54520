"""The template as an XLSX workbook: entry sheets, and sheets that explain."""

import io
from collections.abc import Iterable, Sequence
from pathlib import Path

from openpyxl import Workbook
from openpyxl.comments import Comment
from openpyxl.styles import Alignment, Font, PatternFill
from openpyxl.utils import get_column_letter
from openpyxl.workbook.defined_name import DefinedName
from openpyxl.worksheet.datavalidation import DataValidation
from openpyxl.worksheet.worksheet import Worksheet

from pipelines.contract.contract import Contract, load_contract
from pipelines.contract.dictionary import TEXT, code_lists, column_rows, measure_rows
from pipelines.contract.targets import MEASURE_CODES
from pipelines.reading.template_marks import TEMPLATE_HELP, TEMPLATE_MARK
from pipelines.template.entries import ASKED, EntryColumn, EntrySheet
from warehouse.errors import RequestError
from warehouse.export_safety import neutralise
from warehouse.leaving.gate import NO_CASE, let_out
from warehouse.measures.catalogue import CATALOGUE

LAST_ROW = 1_048_576  # last row of a sheet: drop-down lists and checks reach down to it

README, DICTIONARY, MEASURES, CODES = TEMPLATE_HELP

_HEAD_FILL = "D9E2EC"
_NEEDED_FILL = "9FB3C8"
_TEXT_KINDS = ("text", "code", "codes", "quarter")

READ_ME: tuple[str, ...] = tuple(ASKED["read_me"])


def write_template(path: Path, sheets: Sequence[EntrySheet], *, overwrite: bool = False) -> None:
    """Write the workbook.

    ``path``: An ``.xlsx`` file. ``sheets``: The entry sheets. ``overwrite``: Replace a file that is already there (it
    may be a filled template). Raises RequestError: the ending is not ``.xlsx``, the file is there already, or it cannot
    be written.
    """
    if path.suffix.lower() != ".xlsx":
        found = f"a template cannot be written to a file ending in {path.suffix!r}"
        raise RequestError(found, where=path.name, expected=".xlsx", remedy="name a file such as menton-template.xlsx")
    if path.exists() and not overwrite:
        remedy = "name another file with --out, or say --overwrite if nothing has been entered in it"
        raise RequestError("the file is already there", where=path.name, expected="a new file", remedy=remedy)
    made = io.BytesIO()
    template_workbook(sheets).save(made)
    let_out(made.getvalue(), NO_CASE, to=path)


def template_workbook(sheets: Sequence[EntrySheet]) -> Workbook:
    """The workbook, with the entry sheets first and a mark by which the reader knows it."""
    contract = load_contract()
    book = Workbook()
    del book[book.sheetnames[0]]
    lists = _lists(contract)
    ranges = {name: _range(index, len(codes)) for index, (name, codes) in enumerate(lists.items())}
    for sheet in sheets:
        _entry_sheet(book, sheet, ranges)
    _text_sheet(book, README, READ_ME)
    _table_sheet(book, DICTIONARY, TEXT["column_titles"], column_rows(contract))
    _table_sheet(book, MEASURES, TEXT["measure_titles"], measure_rows(CATALOGUE.values()))
    _code_sheet(book, lists)
    book.defined_names[TEMPLATE_MARK] = DefinedName(TEMPLATE_MARK, attr_text=f"'{sheets[0].name}'!$A$1")
    book.properties.title, book.properties.creator = contract.title, "Menton"
    return book


def _lists(contract: Contract) -> dict[str, list[tuple[str, str]]]:
    measures = [(measure.code, measure.label) for measure in CATALOGUE.values()]
    return {**code_lists(contract), MEASURE_CODES: measures}


def _range(index: int, n_codes: int) -> str:
    """Cells of the codes of the list at ``index``; a list takes two columns, code and meaning."""
    letter = get_column_letter(2 * index + 1)
    return f"'{CODES}'!${letter}$3:${letter}${n_codes + 2}"


def _entry_sheet(book: Workbook, sheet: EntrySheet, ranges: dict[str, str]) -> None:
    page: Worksheet = book.create_sheet(sheet.name)
    for index, column in enumerate(sheet.columns, start=1):
        _heading(page, index, column)
        example = page.cell(2, index, column.example)
        example.font = Font(italic=True, color="808080")
        letter = get_column_letter(index)
        page.column_dimensions[letter].width = max(11, len(column.name) + 2)
        if column.kind in _TEXT_KINDS:  # or 2/1 becomes a date, and 007 becomes 7
            page.column_dimensions[letter].number_format = "@"
            example.number_format = "@"
        _validation(page, f"{letter}2:{letter}{LAST_ROW}", column, ranges)
    page.freeze_panes = "B2"


def _heading(page: Worksheet, index: int, column: EntryColumn) -> None:
    cell = page.cell(1, index, column.name)
    cell.font = Font(bold=True)
    cell.alignment = Alignment(wrap_text=True, vertical="top")
    cell.fill = PatternFill("solid", fgColor=_NEEDED_FILL if column.required else _HEAD_FILL)
    comment = Comment(comment_text(column), "Menton")
    comment.width, comment.height = 320, 160
    cell.comment = comment


def comment_text(column: EntryColumn) -> str:
    """What pointing at a heading shows."""
    limits = ""
    if column.low is not None and column.high is not None:
        limits = f"From {column.low:g} to {column.high:g} {column.unit}.".replace(" .", ".")
    lines = [
        f"{column.label[:1].upper()}{column.label[1:]}",
        column.about,
        limits or (f"Unit: {column.unit}." if column.unit else ""),
        "Choose from the list." if column.codes else "",
        "Needed in every row." if column.required else "May stay blank.",
    ]
    return "\n".join(line for line in lines if line)


def _validation(page: Worksheet, area: str, column: EntryColumn, ranges: dict[str, str]) -> None:
    """A drop-down list for codes, a warning outside the limits for numbers."""
    if column.codes is not None:
        check = DataValidation(type="list", formula1=ranges[column.codes], allow_blank=True)
        check.error = "This is none of the codes; see the sheet Codes."
    elif column.low is not None and column.high is not None:
        low, high = f"{column.low:g}", f"{column.high:g}"
        check = DataValidation(type="decimal", operator="between", formula1=low, formula2=high, allow_blank=True)
        check.type = "whole" if column.kind == "integer" else "decimal"
        check.error = f"Values outside {low} to {high} are turned away."
    else:
        return
    check.errorStyle, check.errorTitle, check.showErrorMessage = "warning", column.name[:32], True
    check.add(area)
    page.add_data_validation(check)


def _text_sheet(book: Workbook, name: str, lines: Iterable[str]) -> None:
    page = book.create_sheet(name)
    page.column_dimensions["A"].width = 110
    for row, line in enumerate(lines, start=1):
        cell = page.cell(row, 1, neutralise(line) or None)
        cell.alignment = Alignment(wrap_text=True, vertical="top")
        if row == 1 or (line and not line[0].isdigit() and len(line) < 40):
            cell.font = Font(bold=True)


def _table_sheet(book: Workbook, name: str, titles: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    page = book.create_sheet(name)
    page.append(list(titles))
    for row in rows:
        page.append([neutralise(text) or None for text in row])
    for cell in page[1]:
        cell.font, cell.fill = Font(bold=True), PatternFill("solid", fgColor=_HEAD_FILL)
    for index in range(1, len(titles) + 1):
        longest = max(len(str(page.cell(row, index).value or "")) for row in range(1, page.max_row + 1))
        page.column_dimensions[get_column_letter(index)].width = min(60, max(10, longest + 2))
    for line in page.iter_rows(min_row=1):
        for cell in line:
            cell.alignment = Alignment(wrap_text=True, vertical="top")
    page.freeze_panes = "A2"


def _code_sheet(book: Workbook, lists: dict[str, list[tuple[str, str]]]) -> None:
    """Each list in two columns: its name above, then code and meaning."""
    page = book.create_sheet(CODES)
    for index, (name, codes) in enumerate(lists.items()):
        left = 2 * index + 1
        for row, texts in enumerate([(name, ""), ("code", "meaning"), *codes], start=1):
            for offset, text in enumerate(texts):
                cell = page.cell(row, left + offset, neutralise(text) or None)
                cell.number_format = "@"
                cell.font = Font(bold=row < 3)
        page.column_dimensions[get_column_letter(left)].width = 20
        page.column_dimensions[get_column_letter(left + 1)].width = 28
    page.freeze_panes = "A3"
