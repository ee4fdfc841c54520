"""One hostile string followed into every place where words can come out: every page, every kind of document and file.

It is a formula for a spreadsheet, Markdown, HTML, a formula of mathematics and a directive of Streamlit in one, and it
stands wherever users give words: practices, clinicians, names of files, the label and source of a definition, a title.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from markdown_it import MarkdownIt
from playwright.sync_api import Browser
from pypdf import PdfReader

from pipelines.cli import main
from tests.dashboard.browsing import person, rest, served, turn_to, until
from tests.dashboard.test_browser import ADDRESSES
from tests.faults.test_exports import files
from tests.hand_made import load_rows, made_case
from warehouse.export_safety import neutralise
from warehouse.marts.catalogues import register
from warehouse.marts.publish import publish
from warehouse.outcomes.registry import definition_to_dict, shipped_registry
from warehouse.store.store import open_store

MARK = "lantern"
HOSTILE = (
    f'=HYPERLINK("http://{MARK}.example/f") **bold** ![p](http://{MARK}.example/i.png) $x^2$ :red[r]'
    f" <img src=http://{MARK}.example/j.png onerror=document.title='{MARK}'>"
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A warehouse of three practices, whose every free text is the hostile one; loaded without the checks before."""
    folder = tmp_path_factory.mktemp("words") / "w"
    for n, practice in enumerate((HOSTILE, f"{HOSTILE} 2", f"{HOSTILE} 3")):
        rows = [
            made_case(
                f"{n}-{case}",
                clinician=f"{HOSTILE} {case % 3}",
                extracted_teeth="none" if case % 3 else "14 24",
                start_quarter=f"{2019 + case % 3}-Q1",
                sn_gogn_deg_start=30.0 + case % 7,
                sn_gogn_deg_finish=31.0 + case % 11,
            )
            for case in range(40)
        ]
        load_rows(folder, rows, source=f"{HOSTILE}.csv", practice=practice)
    with open_store(folder) as store:
        body = definition_to_dict(shipped_registry().get("D1"))
        register(store, "definition", "X1", "1.0.0", {**body, "id": "X1", "label": HOSTILE, "source": HOSTILE})
        store.execute("update loads set n_read = n_read + 1, n_turned_away = 1")
        store.execute("insert into turned_away values (1, ?, 900, ?, 'R001', ?, null)", [HOSTILE] * 3)
        store.execute("insert into remarks values (1, 'cases', 1, ?, 'R002', ?, null)", [HOSTILE] * 2)
        publish(folder, store)
    return folder


@pytest.fixture(scope="module")
def out(folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Every document and file."""
    out = tmp_path_factory.mktemp("out")
    asked = ["--definition", "X1", "--title", HOSTILE, "--name-practice", "--for", "practice", "--by", "clinician"]
    for words in (
        ["report", *asked, "--out", str(out / "report")],
        ["cases", "--out", str(out / "cases.csv")],
        ["cases", "--out", str(out / "cases.xlsx")],
        ["quarantine", "--out", str(out / "quarantine.xlsx")],
        ["characteristics", "--by", "clinician", "--out", str(out / "characteristics.xlsx")],
        ["strobe", "--definition", "X1", "--out", str(out / "strobe.md")],
    ):
        assert main([*words, "--warehouse", str(folder)]) == 0, words
    return out


class Marked(HTMLParser):
    """What a page marks up: no tag or attribute may come of the hostile string."""

    def __init__(self) -> None:
        super().__init__()
        self.wrong: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        followed = [given.get(name) or "" for name in ("src", "href", "action", "data", "srcset", "style")]
        if any(MARK in one for one in followed) or any(name.startswith("on") for name in given):
            self.wrong.append(f"{tag} {given}")


def no_cell_runs(name: str, data: bytes) -> tuple[int, bool]:
    """Cells of a workbook, none of which is a formula or a link; and whether the hostile string is among them."""
    listed = [
        cell
        for sheet in openpyxl.load_workbook(io.BytesIO(data)).worksheets
        for row in sheet.iter_rows()
        for cell in row
        if cell.value is not None
    ]
    for cell in listed:
        assert cell.data_type != "f", f"{name} {cell.coordinate}"
        assert cell.hyperlink is None, f"{name} {cell.coordinate}"
        assert not isinstance(cell.value, str) or neutralise(cell.value) == cell.value, f"{name} {cell.coordinate}"
    return len(listed), any(MARK in str(cell.value) for cell in listed)


def test_in_no_document_or_file_does_it_act(out: Path, count: Callable[[str, str, int], None]) -> None:
    shown, n = set[str](), 0
    for name, data in files(out):
        kind = f"embedded {name[-4:]}" if name.startswith("ppt/embeddings") else name.rpartition(".")[2]
        text = data.decode("utf-8", errors="replace")
        if kind in {"xlsx", "embedded xlsx"}:
            cells, is_shown = no_cell_runs(name, data)
            n += cells
            shown |= {kind} if is_shown else set()
            continue
        n += 1
        if kind == "html":
            page = Marked()
            page.feed(text)
            assert page.wrong == [], name
        elif kind == "md":
            tokens = [inner for token in MarkdownIt().parse(text) for inner in (token, *(token.children or ()))]
            assert not [one.attrs for one in tokens if one.type in {"image", "link_open"} and MARK in str(one.attrs)]
            assert not [
                one.content for one in tokens if one.type in {"html_inline", "html_block"} and MARK in one.content
            ]
        elif kind == "pdf":
            read = PdfReader(io.BytesIO(data))
            text = "".join(page.extract_text() for page in read.pages)
            links = [note.get_object() for page in read.pages for note in page.get("/Annots", ())]
            assert not [link for link in links if MARK in str(link)]
            assert not {"/JavaScript", "/Launch", "/OpenAction"} & {str(word) for word in text.split()}
            assert b"/JavaScript" not in data
            assert b"/Launch" not in data
        elif kind == "rels":
            assert MARK not in text, f"{name}: a link out of the slides"
        elif kind == "csv":
            assert f",={HOSTILE[1:10]}" not in text, name
            assert not text.startswith("="), name
        if MARK in text.casefold():
            shown.add("pptx" if name.startswith("ppt/slides/") else kind)
    assert {"html", "pdf", "pptx", "xlsx", "embedded xlsx", "csv", "md"} <= shown, (
        "where it never came, nothing is shown"
    )
    count("exported places", "one hostile string in documents, cells and slides", n)


@pytest.mark.browser
def test_on_no_page_does_it_act(folder: Path, browser: Browser, count: Callable[[str, str, int], None]) -> None:
    asked, shown = list[str](), list[str]()
    with served(folder) as at:
        context = person(browser, at)
        context.on("request", lambda request: asked.append(request.url))
        page = context.new_page()
        page.goto(at)
        rest(page)
        for address, heading in ADDRESSES.items():
            mark = "&" if "?" in address else "?"
            turn_to(page, f"/{address}{mark}def=X1")
            until(page, "said => document.querySelector('h1').innerText === said", heading)
            found: Any = page.evaluate(
                """mark => ({
                  acts: [...document.querySelectorAll('img, a, script, iframe, [style], [onerror]')].filter(one =>
                    ['src', 'href', 'style', 'onerror'].some(name => (one.getAttribute(name) ?? '').includes(mark))
                  ).map(one => one.outerHTML.slice(0, 200)),
                  bold: [...document.querySelectorAll('strong, b')].filter(one => one.textContent === 'bold').length,
                  formulas: document.querySelectorAll('.katex').length,
                  title: document.title,
                  text: document.body.innerText,
                })""",
                MARK,
            )
            assert (found["acts"], found["bold"], found["formulas"]) == ([], 0, 0), address
            assert MARK not in found["title"], address
            shown += [address] if MARK in found["text"] else []
        context.close()
    assert not [url for url in asked if MARK in url.partition("/")[2].partition("/")[2].partition("/")[0]]
    assert len(shown) > 5, shown
    count("exported places", "pages on which one hostile string is looked for", len(ADDRESSES))
