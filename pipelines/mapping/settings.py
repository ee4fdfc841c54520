"""The [file] section of a mapping: layout, practice, and how the file is written."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any, Literal

from pipelines.contract.contract import Contract
from pipelines.contract.delivery import Layout
from pipelines.deidentify.pseudonyms import check_practice
from pipelines.mapping.faults import Faults
from pipelines.reading.settings import ReadSettings
from warehouse.errors import MappingError, near_names
from warehouse.toml_files import shaped


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
    wrong = {key: "a text in quotes" for key, value in section.items() if value == ""}
    if isinstance(section.get("header_row"), int) and section["header_row"] < 1:
        wrong["header_row"] = _EXPECTED["header_row"]
    for one in shaped(FileSettings, section)[1]:
        wrong[str(one.place[0])] = _EXPECTED.get(str(one.place[0]), one.expected)
    known = [field.name for field in fields(FileSettings)]
    for key, expected in wrong.items():
        if key in known:
            faults.add(f"[file] {key}", "the value of this setting does not fit", expected=expected)
        else:
            faults.add(f"[file] {key}", "this setting does not exist", remedy=near_names(key, known) or "remove it")
    given = {key: value for key, value in section.items() if key not in wrong}
    _check_practice(given, faults)
    return FileSettings(**_with_table(given, faults, contract))


_EXPECTED = {"header_row": "a row number from 1"}


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
