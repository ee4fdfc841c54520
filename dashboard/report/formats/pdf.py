"""The report as paged PDF, tagged for screen readers (PDF/UA-1)."""

import json
from dataclasses import asdict
from datetime import UTC, datetime
from importlib.resources import files
from typing import Any

from dashboard.report.document import Document, DocumentTable, Picture, Section
from dashboard.report.figures import FOOT, CaseDrawing, svg
from dashboard.report.sections.methods import CHECK_REFERENCES

PRINT_FONT = "Libertinus Serif"
"""A face that the typesetter brings along, so that the file is the same on every machine."""

WIDEST = 100  # width of a picture in percent of the text column
HIGHEST = 200  # height of a picture in percent of the width of the text column: what fits on a page with its caption
COLUMN = 350  # width of a chart in pixels, so that its letters are of 8 points or more in a column of 86 mm


def pdf_file(document: Document) -> bytes:
    """The document as PDF."""
    import typst

    template = files("dashboard.report.formats").joinpath("report.typ").read_bytes()
    published = datetime.fromisoformat(document.stamp.published).replace(tzinfo=UTC)
    fonts = typst.Fonts(include_system_fonts=False)
    made: bytes = typst.compile(
        template,
        format="pdf",
        font_paths=fonts,
        sys_inputs={"report": json.dumps(as_data(document))},
        pdf_standards="ua-1",
        timestamp=published,
    )
    return made


def as_data(document: Document) -> dict[str, Any]:
    """The document as plain data for the template."""
    plain = ("title", "cases", "made_for", "answer", "lead", "caution", "limits", "cautions", "methods", "references")
    return {
        **{name: getattr(document, name) for name in plain},
        "stamp": asdict(document.stamp) | {"line": document.stamp.line},
        "foot": FOOT,
        "sections": [_section(section) for section in document.sections],
        "check_references": CHECK_REFERENCES,
    }


def _section(section: Section) -> dict[str, Any]:
    return {
        "title": section.title,
        "paragraphs": section.paragraphs,
        "facts": section.facts,
        "picture": _picture(section.picture) if section.picture else None,
        "tables": [_table(table) for table in section.tables if table.on_page],
        "remarks": section.remarks,
    }


def _picture(picture: Picture) -> dict[str, Any]:
    is_wide = isinstance(picture.figure, CaseDrawing)
    text = svg(picture, width=COLUMN, font=PRINT_FONT)
    return {
        "is_wide": is_wide,
        "floats": is_wide or _height_over_width(text) > 0.7,
        "svg": text,
        "alt": picture.alt,
        "caption": picture.caption,
        "width": min(WIDEST, HIGHEST / (2.1 if is_wide else 1) / _height_over_width(text)),
    }


def _height_over_width(text: str) -> float:
    _, _, width, height = text.partition('viewBox="')[2].partition('"')[0].split()
    return float(height) / float(width)


def _table(table: DocumentTable) -> dict[str, Any]:
    shown = [place for place, column in enumerate(table.columns) if column.on_page]
    columns = [table.columns[place] for place in shown]
    wordy = [place for place, column in enumerate(columns) if column.kind == "words"]
    return {
        "caption": table.caption,
        "columns": [{"heading": column.heading, "kind": column.kind} for column in columns],
        "rows": [[row[place].text for place in shown] for row in table.rows],
        "wide": wordy[-1] if wordy else 0,
    }
