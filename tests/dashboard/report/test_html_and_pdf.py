"""The page is self-contained and readable without seeing; the PDF is paged, tagged and says what it is."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from typing import Any

from dashboard.report.formats.html import html_page
from dashboard.report.sections.composing import TITLE as USUAL_TITLE
from dashboard.report.sections.composing import document
from dashboard.theme import contrast
from tests.dashboard.report.conftest import TITLE, Made

NAMES_OF_FORMATS = {"http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"}
"""Names by which SVG calls itself; nothing is fetched from them."""


class Page(HTMLParser):
    """Tags and attributes of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def of(self, tag: str) -> list[dict[str, str | None]]:
        return [attrs for name, attrs in self.tags if name == tag]


def test_the_page_asks_for_nothing_outside_and_runs_nothing(made: Made) -> None:
    assert set(re.findall(r"https?://[^\s\"'<)]+", made.html)) <= NAMES_OF_FORMATS
    page = Page(made.html)
    assert not {"script", "link", "iframe", "img", "object", "embed", "form"} & {tag for tag, _ in page.tags}
    assert not [attrs for _, attrs in page.tags if {"src", "onload", "onclick"} & set(attrs)]
    assert [attrs["href"] for _, attrs in page.tags if "href" in attrs and not str(attrs["href"]).startswith("#")] == []
    assert not re.search(r"@import|url\((?!#)", made.html)


def test_every_picture_keeps_to_the_schema(made: Made) -> None:
    """Reports draw without looking; Altair's own check, of each part as it is made and of the whole, stands here."""
    for picture in made.document.pictures:
        assert picture.figure.chart().to_dict(validate=True)["description"] == picture.alt


def test_pictures_and_tables_of_the_page_can_be_read_aloud(made: Made) -> None:
    page = Page(made.html)
    pictures = [attrs for attrs in page.of("svg") if attrs.get("role") == "img"]
    assert [attrs["aria-label"] for attrs in pictures] == [picture.alt for picture in made.document.pictures]
    assert len(page.of("figcaption")) == len(pictures) >= 6
    assert {attrs.get("scope") for attrs in page.of("th")} == {"col", "row"}
    scrolled = [attrs for attrs in page.of("div") if attrs.get("class") == "scroll"]
    assert scrolled
    assert all(attrs.get("tabindex") == "0" and attrs.get("aria-label") for attrs in scrolled)
    levels = [int(tag[1]) for tag, _ in page.tags if re.fullmatch("h[1-6]", tag)]
    assert (levels[0], set(levels[1:])) == (1, {2})
    assert page.of("html") == [{"lang": "en-GB"}]


def test_the_page_carries_definition_build_date_caution_and_whom_it_is_for(made: Made) -> None:
    stamp = made.document.stamp
    for text in (stamp.definition, stamp.build, stamp.published, stamp.tool, made.document.caution):
        assert text in made.html
    assert re.fullmatch(r"\d{4}-\d\d-\d\d", stamp.published)
    assert made.document.made_for in made.html


def test_what_people_write_is_not_taken_for_markup(outside: Made) -> None:
    page = html_page(document(outside.found, title="<b>Ours</b> & theirs"))
    assert "<title>&lt;b&gt;Ours&lt;/b&gt; &amp; theirs</title>" in page


def test_the_title_is_ours_unless_another_is_given(whole: Made) -> None:
    assert document(whole.found).title == USUAL_TITLE
    assert f"<h1>{TITLE}</h1>" in whole.html


def test_the_pdf_is_tagged_and_names_itself(made: Made) -> None:
    catalogue: Any = made.pdf.trailer["/Root"]
    assert catalogue["/MarkInfo"]["/Marked"] == True  # noqa: E712 - an object of the file
    assert catalogue["/Lang"] == "en-GB"
    assert catalogue["/ViewerPreferences"]["/DisplayDocTitle"] == True  # noqa: E712
    assert b"pdfuaid:part" in catalogue["/Metadata"].get_data()
    about = made.pdf.metadata
    assert about is not None
    stamp = made.document.stamp
    assert (about.title, about.author) == (TITLE, stamp.tool)
    assert about.subject is not None
    assert made.document.answer in about.subject
    assert all(text in str(about.keywords) for text in (stamp.definition, stamp.build, stamp.made_for))
    assert about.creation_date is not None
    assert about.creation_date.date().isoformat() == stamp.published


def structure(node: Any) -> list[Any]:
    """Every element of a PDF's structure tree."""
    node = node.get_object() if hasattr(node, "get_object") else node
    if isinstance(node, list):
        return [element for one in node for element in structure(one)]
    if not isinstance(node, dict) or "/S" not in node:
        return []
    return [node, *(structure(node["/K"]) if "/K" in node else [])]


def test_figures_of_the_pdf_have_text_and_tables_have_headings(made: Made) -> None:
    root: Any = made.pdf.trailer["/Root"]["/StructTreeRoot"]  # type: ignore[index]
    elements = structure(root["/K"])
    kinds = [str(element["/S"]) for element in elements]
    alts = [str(element["/Alt"]) for element in elements if element["/S"] == "/Figure" and "/Alt" in element]
    assert alts == [picture.alt for picture in made.document.pictures]
    assert kinds.count("/Table") == sum(table.on_page for table in made.document.tables)
    assert kinds.count("/TH") >= kinds.count("/Table") * 3
    assert {"/H1", "/P", "/Caption"} <= set(kinds)


def test_every_page_of_the_pdf_has_its_number_and_what_it_is_about(made: Made) -> None:
    n, stamp = len(made.pdf.pages), made.document.stamp
    assert n >= 4
    for place, page in enumerate(made.pdf.pages, start=1):
        text = " ".join(page.extract_text().split())
        assert f"page {place} of {n}" in text
        assert all(part in text for part in (TITLE, stamp.build, stamp.definition, "not a diagnosis"))


def test_the_pdf_leads_nowhere_and_holds_no_program(made: Made) -> None:
    marks = [mark.get_object() for page in made.pdf.pages for mark in page.get("/Annots", [])]
    assert all(mark["/Subtype"] == "/Link" and "/Dest" in mark for mark in marks)  # from the contents to their section
    assert len(marks) >= len(made.document.sections)
    for word in (b"/JavaScript", b"/JS ", b"/URI", b"/Launch", b"/EmbeddedFile"):
        assert word not in made.files[".pdf"]


def test_the_contents_of_the_page_lead_to_every_section(made: Made) -> None:
    page = Page(made.html)
    places = [str(attrs["id"]) for attrs in page.of("section")]
    assert [attrs["href"] for attrs in page.of("a")] == [f"#{place}" for place in places]
    assert places[:-2] == [section.name for section in made.document.sections]


def test_the_page_is_dark_where_the_reader_asks_for_it_and_no_colour_of_it_is_too_faint(made: Made) -> None:
    rules = re.findall(r":root \{([^}]*)\}", made.html)
    light, dark = (dict(re.findall(r"--(\w+): (#\w+)", rule)) for rule in rules)
    assert "prefers-color-scheme: dark" in made.html
    assert set(light) == set(dark)
    for colours in (light, dark):
        ground = colours["ground"].replace("#fff", "#ffffff")
        # WCAG 2.2, success criterion 1.4.3
        assert all(contrast(colours[name], ground) >= 4.5 for name in ("ink", "quiet", "main"))


def test_the_whole_audit_is_eight_sheets_at_most(made: Made) -> None:
    assert len(made.pdf.pages) <= 8


def test_sections_are_the_same_on_page_and_pdf(made: Made) -> None:
    page = re.findall(r"<h2>(.*?)</h2>", made.html)
    assert [title for title in page if title.replace(" ", "") not in made.pdf_text.replace(" ", "")] == []
    assert page[:4] == [section.title for section in made.document.sections[:4]]


def test_the_same_findings_make_the_same_pdf_byte_by_byte(outside: Made) -> None:
    from dashboard.report.write import file_bytes

    assert file_bytes(outside.document, ".pdf") == outside.files[".pdf"]


def test_every_reference_is_cited_and_marked_as_recalled(outside: Made, whole: Made) -> None:
    for made, n in ((outside, 7), (whole, 10)):
        methods = " ".join(made.document.methods)
        cited = {int(one) for group in re.findall(r"\[([\d, ]+)\]", methods) for one in group.split(",")}
        # what hides counts is cited only where some are hidden
        assert cited | {7} == set(range(1, len(made.document.references) + 1))
        assert len(cited) == n
    assert "from memory" in outside.files[".md"].decode()
