"""A small warehouse with groups too small to show, and every file made from it, for both audiences, once a session."""

from __future__ import annotations

import csv
import io
import re
import zipfile
from dataclasses import dataclass
from functools import cached_property
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from pptx import Presentation
from pypdf import PdfReader

from dashboard.report.document import Document
from dashboard.report.figures import figure_svg
from dashboard.report.findings import findings
from dashboard.report.formats.xlsx import csv_file
from dashboard.report.sections.composing import document
from dashboard.report.shown import Audience, Findings
from dashboard.report.write import ENDINGS, file_bytes
from tests.hand_made import load_rows, made_case
from warehouse.marts.reader import Reader

GROUPS = {
    "fixed_labial": (60, 10),
    "functional_removable": (30, 8),
    "clear_aligner": (12, 0),
    "expander_tooth_borne": (7, 2),
    "facemask": (7, 3),
}
"""Appliance -> cases counted, and adverse ones among them."""

MISSING = 9
UNTREATED = (20, 2)
TITLE = "What our appliances did to faces"
AGES = (8.5, 9.5, 10.5, 11.5, 12.5)


def treated(appliance: str, number: int, *, adverse: bool, practice: str = "") -> dict[str, Any]:
    """One counted case: the plane opens by four degrees or hardly moves. Ages and extractions run evenly."""
    return made_case(
        f"{practice}{appliance}-{number}",
        appliance=appliance,
        age_at_start=AGES[number % 5],
        extracted_teeth="14 24" if number % 3 == 0 else "none",
        sn_gogn_deg_start=32.0,
        sn_gogn_deg_finish=36.0 if adverse else 32.0 + (number % 4 - 2) / 4,
    )


def rows(*, swapped: bool = False) -> list[dict[str, Any]]:
    """All cases; ``swapped`` gives one adverse outcome of the facemask group to the expander group."""
    made = []
    for appliance, (n, n_adverse) in GROUPS.items():
        # cases 2 of the two small groups are alike in all but the appliance
        shift = {"expander_tooth_borne": 1, "facemask": -1}.get(appliance, 0) if swapped else 0
        made += [treated(appliance, number, adverse=number < n_adverse + shift) for number in range(n)]
    made += [made_case(f"gone-{number}", status="moved_away", sn_gogn_deg_start=32.0) for number in range(MISSING)]
    made += [
        made_case(
            f"seen-{number}",
            appliance=None,
            comparison="untreated",
            sn_gogn_deg_start=32.0,
            sn_gogn_deg_finish=36.0 if number < UNTREATED[1] else 32.0,
        )
        for number in range(UNTREATED[0])
    ]
    return made


class Files(dict[str, bytes]):
    """Files of a document; each is made once."""

    def __init__(self, written: Document) -> None:
        super().__init__()
        self.written = written
        self.tables = {f"{table.name}.csv": table for table in written.tables}
        self.names = (*ENDINGS, *self.tables)

    def __missing__(self, name: str) -> bytes:
        table = self.tables.get(name)
        made = csv_file(table, self.written).encode() if table else file_bytes(self.written, name)
        self[name] = made
        return made


@dataclass(frozen=True)
class Made:
    """What was made for one audience, and what can be read back from it."""

    found: Findings
    document: Document

    @cached_property
    def files(self) -> Files:
        """Every file but the figures: ending, or name of a table -> bytes, made when first asked for."""
        return Files(self.document)

    @cached_property
    def html(self) -> str:
        return self.files[".html"].decode()

    @cached_property
    def pdf(self) -> PdfReader:
        return PdfReader(io.BytesIO(self.files[".pdf"]))

    @cached_property
    def pdf_text(self) -> str:
        return " ".join(" ".join(page.extract_text() for page in self.pdf.pages).split())

    @cached_property
    def slides(self) -> Any:
        return Presentation(io.BytesIO(self.files[".pptx"]))

    @cached_property
    def workbook(self) -> Any:
        return openpyxl.load_workbook(io.BytesIO(self.files[".xlsx"]))

    def csv(self, name: str) -> list[dict[str, str]]:
        return list(csv.DictReader(io.StringIO(self.files[f"{name}.csv"].decode())))


def made_for(folder: Path, audience: Audience, **choices: Any) -> Made:
    with Reader.open(folder) as reader:
        found = findings(reader, audience=audience, **choices)
    return files_of(found)


def files_of(found: Findings) -> Made:
    return Made(found, document(found, title=TITLE))


@pytest.fixture(scope="session")
def small_groups(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The warehouse; tests only read it."""
    folder = tmp_path_factory.mktemp("report") / "cases"
    load_rows(folder, rows())
    return folder


@pytest.fixture(scope="session")
def whole(small_groups: Path) -> Made:
    """Everything for the practice itself."""
    return made_for(small_groups, "practice")


@pytest.fixture(scope="session")
def outside(small_groups: Path) -> Made:
    """Everything made to leave."""
    return made_for(small_groups, "outside")


PRACTICES = {
    "HARBOUR": (48, 9),
    "QUARRY": (40, 6),
    "FERRY": (36, 12),
    "LIGHT": (34, 7),
    "MILLRACE": (30, 3),
    "ORCHARD": (7, 1),
}
"""Practice of the group -> cases counted, and adverse ones among them."""


@pytest.fixture(scope="session")
def practices(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A warehouse of six practices, two of them with counts too small to show."""
    folder = tmp_path_factory.mktemp("practices") / "cases"
    for name, (n, n_adverse) in PRACTICES.items():
        load_rows(folder, of_practice(name, n, n_adverse), practice=name, source=f"{name}.csv")
    return folder


def of_practice(name: str, n: int, n_adverse: int) -> list[dict[str, Any]]:
    """Counted cases of one practice, all with the same appliances in turn."""
    appliances = ("fixed_labial", "functional_removable")
    return [treated(appliances[number % 2], number, adverse=number < n_adverse, practice=name) for number in range(n)]


@pytest.fixture(scope="session")
def group(practices: Path) -> Made:
    """The practices beside each other, made to leave."""
    return made_for(practices, "outside")


@pytest.fixture(scope="session", params=["whole", "outside", "group"])
def made(request: pytest.FixtureRequest) -> Made:
    """Either."""
    found: Made = request.getfixturevalue(request.param)
    return found


class Tables(HTMLParser):
    """The tables of a page: caption -> rows of cell texts, the heading first."""

    def __init__(self) -> None:
        super().__init__()
        self.found: dict[str, list[list[str]]] = {}
        self._caption = ""
        self._open = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "tr":
            self.found[self._caption].append([])
        if tag in {"caption", "th", "td"}:
            self._open = tag
            if tag != "caption":
                self.found[self._caption][-1].append("")

    def handle_endtag(self, tag: str) -> None:
        if tag == self._open:
            self._open = ""

    def handle_data(self, data: str) -> None:
        if self._open == "caption":
            self._caption = data
            self.found[data] = []
        elif self._open:
            self.found[self._caption][-1][-1] += data


def tables_of(page: str) -> dict[str, list[list[str]]]:
    parser = Tables()
    parser.feed(page)
    return parser.found


def notes_of(slides: Any) -> str:
    return "\n".join(slide.notes_slide.notes_text_frame.text for slide in slides.slides)


def charts_of(slides: Any) -> dict[str, Any]:
    """Title of a chart's text alternative -> its frame."""
    frames = [shape for slide in slides.slides for shape in slide.shapes if shape.has_chart]
    return {frame._element.xpath(".//p:cNvPr")[0].get("title"): frame for frame in frames}


def behind(frame: Any) -> list[tuple[Any, ...]]:
    """Rows of the workbook behind a native chart."""
    blob = frame.chart.part.chart_workbook.xlsx_part.blob
    return list(openpyxl.load_workbook(io.BytesIO(blob)).active.iter_rows(values_only=True))


def parts_of(data: bytes) -> dict[str, bytes]:
    """Members of a zip file, of the zip files in it as well, without the times at which they were made."""
    found: dict[str, bytes] = {}
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        for name in archive.namelist():
            part = archive.read(name)
            if name.endswith(".xlsx"):
                found |= {f"{name}/{inner}": held for inner, held in parts_of(part).items()}
            else:
                found[name] = re.sub(rb"<dcterms:(created|modified)[^>]*>[^<]*<", b"<", part)
    return found


def assert_same_files(before: Made, after: Made) -> None:
    """No file and no figure differs in a byte."""
    assert after.document == before.document
    for name in before.files.names:
        if name in {".pptx", ".xlsx"}:
            assert parts_of(after.files[name]) == parts_of(before.files[name]), name
        else:
            assert after.files[name] == before.files[name], name
    for mine, theirs in zip(before.document.pictures, after.document.pictures, strict=True):
        assert figure_svg(mine, before.document) == figure_svg(theirs, after.document)
