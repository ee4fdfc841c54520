"""Slides that survive questions, sheets that are safe to open, and figures at print size."""

from __future__ import annotations

import io
import re
import zipfile
from dataclasses import replace
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import openpyxl
import pytest
from PIL import Image
from pptx import Presentation
from pptx.util import Pt
from pypdf import PdfReader

from dashboard.report.document import DocumentTable, FlowEntry, TableColumn, change, share
from dashboard.report.figures import FOOT, figure_files
from dashboard.report.findings import findings
from dashboard.report.formats.slides.slides import MOST_BARS
from dashboard.report.formats.xlsx import csv_file, workbook
from dashboard.report.sections.composing import document
from dashboard.report.write import file_bytes
from tests.dashboard.report.conftest import TITLE, Made, charts_of, files_of, parts_of
from warehouse.marts.reader import Reader

RELATED = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
CHART = {"c": "http://schemas.openxmlformats.org/drawingml/2006/chart"}


def texts(slide: Any) -> list[str]:
    return [shape.text_frame.text for shape in slide.shapes if shape.has_text_frame]


def test_the_talk_has_a_slide_a_finding_each_as_its_title(made: Made) -> None:
    titles = titles_of(made.slides)
    document = made.document
    of = {section.name: section.finding for section in document.sections}
    adjusted = [one.finding for one in document.sections if one.picture and one.picture.groups and one.finding]
    is_shown = {name: name in of for name in ("age_band", "extraction", "course")}
    n_talk = titles.index("For questions")
    talk = titles[:n_talk]
    assert talk[0] == document.answer
    assert talk[1] == f"{document.section('appliance_category').title}: {of['appliance_category']}"
    assert (talk[2] in adjusted) == bool(adjusted)
    both = " ".join(f"{document.section(name).title}: {of[name]}" for name in ("age_band", "extraction"))
    assert both in talk
    assert of["both_ways"] in talk
    assert (of.get("course") in talk) == is_shown["course"]
    assert talk[-2:] == [
        "What could be wrong: missing cases, the threshold, and whom we treated",
        "What we will change first: what we measure and whom we follow up",
    ]
    assert n_talk == 6 + bool(adjusted) + is_shown["course"]


def test_notes_of_the_talk_are_to_be_spoken_and_say_what_the_marks_are(made: Made) -> None:
    slides = list(made.slides.slides)
    for slide in slides[: titles_of(made.slides).index("For questions")]:
        notes = slide.notes_slide.notes_text_frame.text
        assert 60 <= len(notes.split()) <= 120, notes
        if any(shape.has_chart for shape in slide.shapes):
            assert re.search("Each (bar|line|column)", notes), notes


def test_worse_and_better_stand_beside_what_was_expected(made: Made) -> None:
    finding = made.document.section("both_ways").finding
    (slide,) = (one for one in made.slides.slides if one.shapes.title.text_frame.text == finding)
    (chart,) = (shape.chart for shape in slide.shapes if shape.has_chart)
    named = [str(one).partition(":")[0] for one in chart.plots[0].categories]
    assert named[:2] == ["worse", "better"]
    expected, untreated = made.found.overall.beside.expected, made.found.untreated
    share = untreated.rate if untreated else expected.share if expected else None  # of a hidden count there is no bar
    is_expected = share is not None and share.value is not None
    assert ("expected without treatment, worse" in named) == is_expected


def test_what_else_there_is_follows_for_questions_and_is_reached_from_one_list(made: Made) -> None:
    titles = titles_of(made.slides)
    place = titles.index("For questions")
    rest = titles[place + 1 :]
    held_alike = [title for title in rest if title.endswith(": adjusted")]
    assert len(held_alike) == sum(comparison.adjusted is not None for comparison in made.found.comparisons)
    wanted = {section.title for section in made.document.sections if section.picture is not None}
    assert all(any(title in one for one in rest) for title in wanted)
    contents = made.slides.slides[place]
    listed = texts(contents)
    assert all(any(title in text for text in listed) for title in rest)
    links = contents._element.xpath(".//a:hlinkClick")
    targets = [contents.part.related_part(link.get(f"{{{RELATED}}}id")) for link in links]
    assert targets == [slide.part for slide in list(made.slides.slides)[place + 1 :]]
    shapes = [shape for slide in list(made.slides.slides)[place + 1 :] for shape in slide.shapes]
    back = [shape.click_action.target_slide for shape in shapes if not shape.has_chart]
    assert sum(one is not None and one.part is contents.part for one in back) == len(rest)
    marked = ["For questions" in texts(slide) for slide in made.slides.slides]
    assert marked == [False] * place + [True] * (len(titles) - place)


def test_the_outline_names_the_talk_and_what_follows(made: Made) -> None:
    text = parts_of(made.files[".pptx"])["ppt/presentation.xml"].decode()
    parts = re.findall(r'<p14:section name="([^"]+)".*?</p14:section>', text)
    sizes = [part.count("<p14:sldId ") for part in re.findall(r"<p14:section .*?</p14:section>", text)]
    assert parts == ["The talk", "For questions"]
    n_talk = titles_of(made.slides).index("For questions")
    assert sizes == [n_talk, len(titles_of(made.slides)) - n_talk]
    assert len(set(re.findall(r'<p14:sldId id="(\d+)"', text))) == sum(sizes)


def titles_of(slides: Any) -> list[str]:
    return [slide.shapes.title.text_frame.text for slide in slides.slides]


def test_presenters_choose_comparisons_and_whether_slides_for_questions_follow(outside: Made) -> None:
    fewer = replace(outside.found, comparisons=outside.found.comparisons[1:2])
    titles = titles_of(Presentation(io.BytesIO(file_bytes(document(fewer), ".pptx"))))
    assert "Age at start: crude shares" in titles
    assert not [title for title in titles if title.startswith(("Appliance", "Extraction"))]
    alone = titles_of(Presentation(io.BytesIO(file_bytes(document(fewer, with_questions=False), ".pptx"))))
    assert alone == titles[: titles.index("For questions")]
    none = replace(outside.found, comparisons=())
    talk = titles_of(Presentation(io.BytesIO(file_bytes(document(none, with_questions=False), ".pptx"))))
    assert len(talk) == len(alone) - 1 - any(title.endswith("points).") for title in alone)
    assert not [title for title in talk if "adjusted" in title or title.startswith(("Appliance", "Age"))]


def test_every_slide_carries_its_stamp_number_and_caution_and_notes_with_the_caveats(made: Made) -> None:
    stamp = made.document.stamp
    for place, slide in enumerate(made.slides.slides, start=1):
        said = texts(slide)
        assert any(stamp.line in text and FOOT in text for text in said)
        assert str(place) in said
        notes = slide.notes_slide.notes_text_frame.text
        if place > titles_of(made.slides).index("For questions"):  # those of the talk are to be spoken
            assert all(text in notes for text in (made.document.made_for, made.document.caution, stamp.line))
        assert 'type="slidenum"' in ElementTree.tostring(slide._element, encoding="unicode")


def test_type_is_large_but_for_the_foot(made: Made) -> None:
    for slide in made.slides.slides:
        for shape in slide.shapes:
            for paragraph in shape.text_frame.paragraphs if shape.has_text_frame else ():
                for run in paragraph.runs:
                    is_foot = run.text in FOOT or made.document.stamp.line in run.text
                    assert run.font.size >= (Pt(12) if is_foot else Pt(18)), run.text


def test_nothing_lies_outside_the_slide(made: Made) -> None:
    deck = made.slides
    for slide in deck.slides:
        for shape in slide.shapes:
            assert shape.left >= 0
            assert shape.left + shape.width <= deck.slide_width
            assert shape.top + shape.height <= deck.slide_height


def test_charts_are_native_with_error_bars_and_text_for_those_who_do_not_see_them(made: Made) -> None:
    charts = charts_of(made.slides)
    n_slides = [sum(shape.has_chart for shape in slide.shapes) for slide in made.slides.slides]
    place = titles_of(made.slides).index("For questions")
    told = made.document.sections
    adjusted = any(one.finding for one in told if one.picture and one.picture.groups)
    drawn = [one for one in told if one.picture and one.picture.title.endswith(", crude")]
    with_share = [one for one in drawn if one.picture and one.picture.figure.frame["value"].is_not_null().any()]
    assert sum(n_slides[:place]) == len(with_share) + adjusted + 1 + made.document.has("course")
    assert len(charts) == sum(n_slides), "no two charts have the same title"
    said = {picture.title: picture.alt for picture in made.document.pictures}
    assert len(set(charts) & set(said)) >= 6
    for title, frame in charts.items():
        alternative = frame._element.xpath(".//p:cNvPr")[0].get("descr")
        assert alternative == said.get(title, alternative)
        assert len(alternative) > 40
    with_bars = [frame for title, frame in charts.items() if ", crude" in title or title.startswith("What the missing")]
    assert len(with_bars) >= 4
    for frame in with_bars:
        root = ElementTree.fromstring(frame.chart.part.blob)
        (series,) = root.findall(".//c:ser", CHART)
        order = [child.tag.split("}")[1] for child in series]
        assert order.index("errBars") == order.index("cat") - 1, "the place that the file format gives error bars"
        plus = series.find("c:errBars/c:plus/c:numRef/c:f", CHART)
        assert plus is not None
        assert re.fullmatch(r"Sheet1!\$E\$2:\$E\$\d+", plus.text or "")


def test_what_does_not_fit_on_a_slide_is_listed_below_the_chart(whole: Made) -> None:
    found = whole.found
    (comparison, *_) = found.comparisons
    groups = tuple(replace(comparison.groups[0], label=f"appliance number {n:02}") for n in range(1, 41))
    many = replace(comparison, groups=groups)
    slides = Presentation(io.BytesIO(file_bytes(document(replace(found, comparisons=(many,))), ".pptx"))).slides
    (slide,) = (slide for slide in slides if slide.shapes.title.text_frame.text.endswith(": crude shares"))
    (chart,) = (shape.chart for shape in slide.shapes if shape.has_chart)
    assert len(list(chart.plots[0].categories)) == MOST_BARS
    (listed,) = (text for text in texts(slide) if text.startswith("Not drawn: "))
    assert listed.startswith("Not drawn: appliance number 09 (10 of 60); appliance number 10 (10 of 60); ")
    assert listed.endswith("; and 23 more, in the notes.")
    assert "appliance number 40" in slide.notes_slide.notes_text_frame.text


def test_the_file_says_who_made_it_and_nobody_else(made: Made) -> None:
    about = made.slides.core_properties
    assert (about.title, about.author, about.last_modified_by) == (TITLE, made.document.stamp.tool, about.author)
    assert about.created.date().isoformat() == made.document.stamp.published
    parts = parts_of(made.files[".pptx"])
    assert not [name for name in parts if "thumbnail" in name or "printer" in name or name == "docProps/app.xml"]
    for name, part in parts.items():
        if name.endswith((".xml", ".rels")) and "/embeddings/" not in name:
            assert b"Office Theme" not in part, name
            assert b'TargetMode="External"' not in part, name


def test_slides_and_workbooks_lead_nowhere(made: Made) -> None:
    for ending in (".pptx", ".xlsx"):
        for name, part in parts_of(made.files[ending]).items():
            if name.endswith(".rels"):
                assert b"External" not in part, name
            links = re.findall(rb"<a:hlinkClick [^>]*>", part)
            assert all(b'action="ppaction://hlinksldjump"' in link for link in links), name


def hostile(made: Made) -> DocumentTable:
    columns = (
        TableColumn("group", "group"),
        TableColumn("share_pct", "share", "percent"),
        TableColumn("=1", "change", "change"),
    )
    rows = (
        (FlowEntry("=cmd|' /C calc'!A0"), share(0.1), change(-0.26)),
        (FlowEntry("+SUM(A1)"), share(None), change(None)),
    )
    return DocumentTable(name="hostile", caption="=1+1", columns=columns, rows=rows)


def test_no_cell_of_a_sheet_is_run_as_a_formula(whole: Made) -> None:
    table = hostile(whole)
    section = replace(whole.document.sections[1], tables=(table,))
    sections = (whole.document.sections[0], section)
    written = replace(whole.document, title="=HYPERLINK(1)", sections=sections)
    lines = csv_file(table, written).splitlines()
    assert lines[0].startswith("group,share_pct,=1,definition,growth_reference,build,published,made_for,caution")
    assert lines[1].startswith("\"'=cmd|' /C calc'!A0\"," if '"' in lines[1][:1] else "'=cmd|' /C calc'!A0,10.0,-0.3,")
    book = openpyxl.load_workbook(io.BytesIO(workbook(written)))
    cells = [cell for sheet in book.worksheets for line in sheet.iter_rows() for cell in line]
    assert not [cell.value for cell in cells if cell.data_type == "f"]
    assert book["about"]["B1"].value == "'=HYPERLINK(1)"
    assert [cell.value for cell in book["hostile"][2]] == ["'=cmd|' /C calc'!A0", 10, -0.3]
    assert [cell.value for cell in book["hostile"][3]] == ["'+SUM(A1)", "not shown", "not shown"]


def test_every_csv_line_and_the_workbook_say_what_they_are(made: Made) -> None:
    stamp = made.document.stamp
    for table in made.document.tables:
        for line in made.csv(table.name):
            assert (line["definition"], line["build"], line["published"]) == (
                stamp.definition,
                stamp.build,
                stamp.published,
            )
            assert (line["made_for"], line["caution"]) == (stamp.made_for, FOOT)
    about = {str(row[0].value): str(row[1].value) for row in made.workbook["about"].iter_rows()}
    assert about["made for"] == made.document.made_for
    assert about["A case is adverse if"] == made.found.definition.sentence
    assert made.workbook.sheetnames == ["about", *(table.name[:31] for table in made.document.tables)]


@pytest.fixture(scope="module")
def figure(outside: Made) -> dict[str, bytes]:
    (picture,) = (one for one in outside.document.pictures if one.name == "extraction")
    return figure_files(picture, outside.document)


def test_a_figure_has_the_width_of_a_text_column_in_every_format(figure: dict[str, bytes]) -> None:
    root = ElementTree.fromstring(figure[".svg"])
    width, height = (float(root.attrib[name].removesuffix("pt")) for name in ("width", "height"))
    assert root.attrib["width"].endswith("pt")
    assert 440 < width < 500  # 155 to 176 mm
    page = PdfReader(io.BytesIO(figure[".pdf"])).pages[0].mediabox
    assert (float(page.width), float(page.height)) == (pytest.approx(width, abs=1), pytest.approx(height, abs=1))
    with Image.open(io.BytesIO(figure[".png"])) as image:
        assert image.size[0] / image.info["dpi"][0] == pytest.approx(width / 72, abs=0.02)
        assert image.info["dpi"][0] == pytest.approx(300, abs=1)


def test_a_figure_carries_title_alternative_stamp_and_caution(figure: dict[str, bytes], outside: Made) -> None:
    (picture,) = (one for one in outside.document.pictures if one.name == "extraction")
    text = figure[".svg"].decode()
    root = ElementTree.fromstring(text)
    svg = "{http://www.w3.org/2000/svg}"
    assert (root.findtext(f"{svg}title"), root.findtext(f"{svg}desc")) == (picture.title, picture.alt)
    stamp = outside.document.stamp
    assert all(word in text for word in (stamp.definition, stamp.build, stamp.published, stamp.made_for, FOOT))
    printed = PdfReader(io.BytesIO(figure[".pdf"])).pages[0].extract_text()
    assert stamp.build in printed
    assert not re.findall(r"(?:href|src)=", text)


def test_a_zip_holds_no_path_of_the_machine(made: Made) -> None:
    for ending in (".pptx", ".xlsx"):
        with zipfile.ZipFile(io.BytesIO(made.files[ending])) as archive:
            assert not [name for name in archive.namelist() if name.startswith("/") or ".." in name]


def test_without_a_threshold_to_move_the_other_definitions_are_drawn(small_groups: Path) -> None:
    with Reader.open(small_groups) as reader:
        found = findings(reader, audience="outside", definition="D7", comparisons=("extraction",))
    made = files_of(found)
    assert found.curve.points == ()
    charts = charts_of(made.slides)
    assert "The same cases under other definitions" in charts
    assert "How much the answer hangs on the threshold" not in charts
    assert "no single threshold to move" in made.html
