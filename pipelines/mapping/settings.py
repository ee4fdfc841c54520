"""The [file] section of a mapping: layout, practice, and how the file is written."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any, Literal

from pipelines.deidentify.pseudonyms import check_practice
from pipelines.reading.settings import ReadSettings
from warehouse.errors import MappingError, near_names

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pipelines.contract.contract import Contract
    from pipelines.contract.delivery import Layout
    from pipelines.mapping.faults import Faults

_CHOICES: dict[str, tuple[str, ...]] = {
    "layout": ("wide", "tabular", "points"),
    "decimal": (".", ","),
    "date_order": ("dmy", "mdy", "ymd"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class FileSettings:
    """How a file is laid out and written; None means that it is not stated."""

    layout: Layout = "wide"  # `wide` (one row a case), `tabular` (one contract table) or `points` (landmarks)
    table: str | None = None  # Contract table of a tabular file
    practice: str | None = None  # Pseudonym of the practice
    encoding: str | None = None  # Name of the character encoding
    delimiter: str | None = None  # Character between cells
    decimal: Literal[".", ","] | None = None  # Decimal mark
    date_order: Literal["dmy", "mdy", "ymd"] | None = None  # Order of day, month and year
    header_row: int | None = None  # Row of the headings as a spreadsheet counts rows
    sheet: str | None = None  # Name of the sheet
    skip_totals: bool = True  # Whether rows of totals and notes below the table are left out

    def read_settings(self) -> ReadSettings:
        """What the reader needs to know."""
        return ReadSettings(
            encoding=self.encoding,
            delimiter=self.delimiter,
            decimal=self.decimal,
            header_row=self.header_row,
            sheet=self.sheet,
            skip_totals=self.skip_totals,
        )


def parse_settings(section: Mapping[str, Any], faults: Faults, *, contract: Contract) -> FileSettings:
    """The settings of a [file] section; what is wrong goes to ``faults``."""
    known = [field.name for field in fields(FileSettings)]
    given: dict[str, Any] = {}
    for key, value in section.items():
        if key not in known:
            faults.add(f"[file] {key}", "this setting does not exist", remedy=near_names(key, known) or "remove it")
        elif _fits(key, value, faults):
            given[key] = value
    _check_practice(given, faults)
    return FileSettings(**_with_table(given, faults, contract))


def _fits(key: str, value: object, faults: Faults) -> bool:
    where = f"[file] {key}"
    if key == "header_row":
        right = isinstance(value, int) and not isinstance(value, bool) and value >= 1
        expected = "a row number from 1"
    elif key == "skip_totals":
        right, expected = isinstance(value, bool), "true or false"
    elif key in _CHOICES:
        right, expected = value in _CHOICES[key], "one of " + ", ".join(f'"{choice}"' for choice in _CHOICES[key])
    else:
        right, expected = isinstance(value, str) and value != "", "a text in quotes"
    if not right:
        faults.add(where, "the value of this setting does not fit", expected=expected)
    return right


def _check_practice(given: dict[str, Any], faults: Faults) -> None:
    try:
        if "practice" in given:
            check_practice(given["practice"], where="[file] practice")
    except MappingError as error:
        faults.add("[file] practice", error.found, expected=error.expected, remedy=error.remedy)
        del given["practice"]


def _with_table(given: dict[str, Any], faults: Faults, contract: Contract) -> dict[str, Any]:
    tables = [table.name for table in contract.tables]
    table = given.get("table")
    if table is not None and table not in tables:
        remedy = near_names(str(table), tables)
        faults.add("[file] table", "there is no such table", expected=f"one of {', '.join(tables)}", remedy=remedy)
        faults.stop()
    layout = given.get("layout") or _layout_of(table)
    if layout == "tabular" and table is None:
        faults.add("[file] table", "a tabular file needs its table", expected=f"one of {', '.join(tables)}")
        faults.stop()
    if (layout == "points" and table not in (None, "landmarks")) or (layout == "wide" and table is not None):
        faults.add("[file] table", f"this table does not go with the layout {layout}", remedy="leave table out")
    return given | {"layout": layout, "table": "landmarks" if layout == "points" else table}


def _layout_of(table: str | None) -> Layout:
    if table is None:
        return "wide"
    return "points" if table == "landmarks" else "tabular"
