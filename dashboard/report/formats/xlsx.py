"""The tables as CSV files and as a workbook: numbers as printed, and nothing that runs as a formula."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from datetime import datetime
from typing import TYPE_CHECKING

from dashboard.report.document import Document, DocumentTable, FlowEntry, TableColumn
from dashboard.report.figures import FOOT
from warehouse.export_safety import neutralise

if TYPE_CHECKING:
    from xlsxwriter.format import Format
    from xlsxwriter.worksheet import Worksheet

LONGEST_SHEET_NAME = 31
FORMATS = {"count": "#,##0", "percent": "0.0", "change": "0.0", "mean": "0.00", "ratio": "0.00", "number": "0.##"}


def csv_file(table: DocumentTable, document: Document) -> str:
    """One table. What every part of the document carries stands in the last columns of every row."""
    shown = _on_sheet(table)
    stamp = document.stamp
    carried = {
        "definition": stamp.definition,
        "growth_reference": stamp.growth,
        "build": stamp.build,
        "published": stamp.published,
        "made_for": stamp.made_for,
        "caution": FOOT,
    }
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([*(column.key for _, column in shown), *carried])
    for row in table.rows:
        cells = [plain(row[place], column) for place, column in shown]
        writer.writerow([neutralise(cell) for cell in (*cells, *carried.values())])
    return text.getvalue()


def plain(entry: FlowEntry, column: TableColumn) -> str:
    """An entry as a plain number with all the digits that are printed, or its words."""
    if entry.number is None:
        return entry.text
    digits = {"percent": ".1f", "change": ".1f", "mean": ".2f", "ratio": ".2f"}
    return format(entry.number, digits.get(column.kind, "g"))


def _on_sheet(table: DocumentTable) -> list[tuple[int, TableColumn]]:
    return [(place, column) for place, column in enumerate(table.columns) if column.on_sheet]


def workbook(document: Document) -> bytes:
    """All tables, one a sheet, after a sheet that says what they are."""
    import xlsxwriter

    held = io.BytesIO()
    book = xlsxwriter.Workbook(held, {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False})
    stamp = document.stamp
    book.set_properties(
        {
            "title": document.title,
            "subject": document.answer,
            "author": stamp.tool,
            "keywords": f"{stamp.definition}; growth {stamp.growth}; build {stamp.build}; {stamp.made_for}",
            "comments": document.caution,
            "created": datetime.fromisoformat(stamp.published),
        }
    )
    formats = {kind: book.add_format({"num_format": text, "align": "right"}) for kind, text in FORMATS.items()}
    formats |= {
        "heading": book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"}),
        "wrap": book.add_format({"text_wrap": True, "valign": "top"}),
        "hidden": book.add_format({"align": "right", "italic": True}),
        "label": book.add_format({"bold": True, "valign": "top"}),
    }
    _write_about(book.add_worksheet("about"), document, formats)
    for table in document.tables:
        _write_table(book.add_worksheet(table.name[:LONGEST_SHEET_NAME]), table, formats)
    book.close()
    return held.getvalue()


def _write_about(sheet: Worksheet, document: Document, formats: Mapping[str, Format]) -> None:
    rows = [
        ("title", document.title),
        ("answer", document.answer),
        ("cases", document.cases),
        *(("", text) for text in document.lead),
        *document.section("definition").facts,
        ("build", f"{document.stamp.build}, published {document.stamp.published}; {document.stamp.tool}"),
        ("made for", document.made_for),
        ("caution", document.caution),
        *(("keep in mind", text) for text in document.limits),
        *((f"sheet {table.name[:LONGEST_SHEET_NAME]}", table.caption) for table in document.tables),
    ]
    sheet.set_column(0, 0, 32)
    sheet.set_column(1, 1, 100)
    for place, (label, text) in enumerate(rows):
        sheet.write_string(place, 0, neutralise(label), formats["label"])
        sheet.write_string(place, 1, neutralise(text), formats["wrap"])


def _write_table(sheet: Worksheet, table: DocumentTable, formats: Mapping[str, Format]) -> None:
    shown = _on_sheet(table)
    for at, (place, column) in enumerate(shown):
        longest = max([len(column.key), *(len(row[place].text) for row in table.rows)])
        sheet.set_column(at, at, min(60, longest + 2))
        sheet.write_string(0, at, neutralise(column.key), formats["heading"])
        for down, row in enumerate(table.rows, start=1):
            entry = row[place]
            if entry.number is not None:
                sheet.write_number(down, at, entry.number, formats[column.kind])
            else:
                numeric = column.kind in FORMATS
                sheet.write_string(down, at, neutralise(entry.text), formats["hidden"] if numeric else None)
    sheet.freeze_panes(1, 1)
