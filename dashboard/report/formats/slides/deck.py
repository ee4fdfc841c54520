"""The presentation: its look, and how titles, text, notes, the foot and text alternatives are put on slides."""

import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from textwrap import wrap
from typing import Any

import pptx
from pptx.dml.color import RGBColor
from pptx.enum.lang import MSO_LANGUAGE_ID
from pptx.enum.text import MSO_ANCHOR, PP_ALIGN
from pptx.opc.constants import RELATIONSHIP_TYPE as RT
from pptx.opc.package import Part, XmlPart
from pptx.oxml import parse_xml
from pptx.oxml.ns import nsdecls, qn
from pptx.presentation import Presentation
from pptx.shapes.base import BaseShape
from pptx.slide import Slide, SlideLayout
from pptx.text.text import _Paragraph
from pptx.util import Inches, Pt

from dashboard.report.document import Document, DocumentTable, Section
from dashboard.report.figures import FOOT
from dashboard.theme import LIGHT
from warehouse.toml_files import shipped

WIDTH, HEIGHT = 13.333, 7.5  # size of a slide in inches

LEFT = 0.75
BODY_WIDTH = WIDTH - 2 * LEFT
FOOT_TOP = 6.93

FACE = "Arial"
TITLE, LARGE, NORMAL, SMALL, FINE = 30, 24, 20, 18, 12
"""Type sizes in points; only the foot of a slide, its source, is finer than 18."""

LONGEST_TITLE, LONGER_TITLE = 84, 165
"""Characters of a title on two lines in the largest type, and on three in the next; longer ones are set smaller."""

LONGEST_PROPERTY = 255  # characters that a property of the file may have
LINE_LENGTH = 88  # characters of the normal size that fit on a line, however wide the letters
LONGEST_LIST = 290  # characters of the list of what is not drawn

FOR_QUESTIONS = "For questions"

_STATED = shipped("dashboard.report.formats.slides", "deck.toml")
_PART_ID = "{{3D1F5B0A-7C44-4C1B-9A55-0D5C1E2F6A{:02}}}"
_COLOURS = {name: getattr(LIGHT, one) for name, one in _STATED["colours"].items()}


@dataclass(frozen=True, slots=True)
class SlideLine:
    """A paragraph on a slide."""

    text: str
    size: int = NORMAL
    bold: bool = False
    quiet: bool = False
    bullet: bool = False


def new_deck(document: Document) -> Presentation:
    """An empty presentation in our look, with the document's title and stamp as its properties."""
    deck = pptx.Presentation()
    deck.slide_width, deck.slide_height = Inches(WIDTH), Inches(HEIGHT)
    kept = next(layout for layout in deck.slide_layouts if layout.name == "Title Only")
    for layout in list(deck.slide_layouts):
        if layout is not kept:
            deck.slide_layouts.remove(layout)
    _dress(kept)
    _strip(deck)
    _describe(deck, document)
    return deck


def _dress(layout: SlideLayout) -> None:
    """Place the title, drop the placeholders that no slide uses, draw the band."""
    for owner in (layout, layout.slide_master):
        for shape in list(owner.placeholders):
            if "TITLE" in str(shape.placeholder_format.type):
                shape.left, shape.top, shape.width, shape.height = (
                    Inches(one) for one in (LEFT, 0.45, BODY_WIDTH, 0.75)
                )
                shape.text_frame.vertical_anchor = MSO_ANCHOR.TOP
            else:
                shape.element.getparent().remove(shape.element)
    layout.shapes._spTree.insert(2, parse_xml(_STATED["band"]))


def _strip(deck: Presentation) -> None:
    """Take out of the empty file what its maker left in it: picture, printer, programme, colours and faces."""
    package = deck.part.package
    for owner in (package, deck.part):
        for name, relation in list(owner._rels.items()):
            if relation.reltype in {RT.THUMBNAIL, RT.EXTENDED_PROPERTIES, RT.PRINTER_SETTINGS}:
                owner._rels.pop(name)
    _retheme(deck.slide_layouts[0].slide_master.part.part_related_by(RT.THEME))


def _retheme(part: Part) -> None:
    """Our colours and faces, and no other programme's names."""
    text = part.blob.decode("utf-8")
    for name, colour in _COLOURS.items():
        value = f'<a:{name}><a:srgbClr val="{colour[1:].upper()}"/></a:{name}>'
        text = re.sub(rf"<a:{name}>.*?</a:{name}>", value, text, flags=re.DOTALL)
    faces = f'<a:latin typeface="{FACE}"/><a:ea typeface=""/><a:cs typeface=""/>'
    for kind in ("majorFont", "minorFont"):
        text = re.sub(rf"<a:{kind}>.*?</a:{kind}>", f"<a:{kind}>{faces}</a:{kind}>", text, flags=re.DOTALL)
    text = re.sub(r'(<a:(?:theme|clrScheme|fontScheme|fmtScheme)\b[^>]*?) name="[^"]*"', r'\1 name="Menton"', text)
    if isinstance(part, XmlPart):
        part._element = parse_xml(text.encode("utf-8"))
    else:
        part._blob = text.encode("utf-8")


def _describe(deck: Presentation, document: Document) -> None:
    stamp, about = document.stamp, deck.core_properties
    published = datetime.fromisoformat(stamp.published)
    keywords = f"{stamp.definition}; growth {stamp.growth}; build {stamp.build}; {stamp.made_for}"
    about.title, about.subject = document.title[:LONGEST_PROPERTY], document.answer[:LONGEST_PROPERTY]
    about.keywords, about.comments = keywords[:LONGEST_PROPERTY], FOOT
    about.author = about.last_modified_by = stamp.tool
    about.language = "en-GB"
    about.created = about.modified = published
    about.revision = 1


def add_text(
    slide: Slide, lines: Sequence[SlideLine], *, left: float, top: float, width: float, height: float
) -> BaseShape:
    """Paragraphs in a box of their own; places in inches."""
    box = slide.shapes.add_textbox(*(Inches(one) for one in (left, top, width, height)))
    frame = box.text_frame
    frame.word_wrap = True
    for place, line in enumerate(lines):
        paragraph = frame.paragraphs[0] if place == 0 else frame.add_paragraph()
        paragraph.text = line.text
        _set_paragraph(paragraph, line)
    return box


def _set_paragraph(paragraph: _Paragraph, line: SlideLine) -> None:
    paragraph.alignment = PP_ALIGN.LEFT
    paragraph.space_after = Pt(line.size * 0.45)
    paragraph.line_spacing = 1.05
    for run in paragraph.runs:
        run.font.size, run.font.bold, run.font.name = Pt(line.size), line.bold, FACE
        run.font.color.rgb = rgb(LIGHT.quiet if line.quiet else LIGHT.ink)
        run.font.language_id = MSO_LANGUAGE_ID.ENGLISH_UK
    if line.bullet:  # a hanging square before the paragraph
        properties = paragraph._p.get_or_add_pPr()
        properties.set("marL", "285750")
        properties.set("indent", "-285750")
        properties.append(parse_xml(f'<a:buChar {nsdecls("a")} char="▪"/>'))


def rgb(colour: str) -> RGBColor:
    """A colour of ours as the file wants it."""
    return RGBColor.from_string(colour[1:].upper())


def set_alt(shape: BaseShape, *, title: str, text: str) -> None:
    """The text alternative of a chart or picture."""
    named = shape._element.xpath(".//p:cNvPr")[0]
    named.set("descr", text)
    named.set("title", title)


def lead_to(slide: Slide, run: Any, target: Slide) -> None:  # noqa: ANN401 - a run of text
    """Make a run of text on a slide lead to another slide of the file."""
    link = slide.part.relate_to(target.part, RT.SLIDE)
    click = parse_xml(f'<a:hlinkClick {nsdecls("a", "r")} r:id="{link}" action="ppaction://hlinksldjump"/>')
    run._r.get_or_add_rPr().append(click)


def parted(deck: Presentation, parts: Mapping[str, int]) -> None:
    """Name the parts of the presentation for its outline: name -> slides, in order; empty parts are left out."""
    ids = iter([one.get("id") for one in deck.part._element.sldIdLst])
    listed = ""
    for place, (name, n) in enumerate(parts.items(), start=1):
        if n:
            slides = "".join(f'<p14:sldId id="{next(ids)}"/>' for _ in range(n))
            named = f'<p14:section name="{name}" id="{_PART_ID.format(place)}">'
            listed += f"{named}<p14:sldIdLst>{slides}</p14:sldIdLst></p14:section>"
    deck.part._element.append(parse_xml(_STATED["sections"].replace("$listed", listed)))


def saved(deck: Presentation) -> bytes:
    """The file."""
    _retheme(deck.notes_master.part.part_related_by(RT.THEME))
    held = io.BytesIO()
    deck.save(held)
    return held.getvalue()


@dataclass(slots=True)
class Deck:
    """The presentation being made; ``part`` names the part its next slides belong to, and is empty in the talk."""

    presentation: Presentation
    document: Document
    number: int = 0
    contents: Slide | None = None  # The slide that lists those for questions
    part: str = ""

    def slide(self, title: str, notes: Sequence[str], *, size: int = TITLE) -> Slide:
        """The next slide, with its title and notes."""
        self.number += 1
        slide = self.presentation.slides.add_slide(self.presentation.slide_layouts[0])
        frame = slide.shapes.title.text_frame
        frame.text = title
        _set_paragraph(frame.paragraphs[0], SlideLine(title, size, bold=True))
        frame.word_wrap = True
        if self.part:
            kicker = [SlideLine(self.part, SMALL, quiet=True)]
            back = add_text(slide, kicker, left=LEFT, top=0.1, width=BODY_WIDTH, height=0.35)
            back.click_action.target_slide = self.contents
        stamp, document = self.document.stamp, self.document
        said = [*(note for note in notes if note), document.made_for, f"{stamp.line}.", document.caution]
        slide.notes_slide.notes_text_frame.text = "\n".join(said)
        return slide

    def talk(self, title: str, notes: str) -> Slide:
        """The next slide of the talk: its finding as its title, and what is spoken with it."""
        size = TITLE if len(title) <= LONGEST_TITLE else LARGE if len(title) <= LONGER_TITLE else NORMAL
        slide = self.slide(title, [], size=size)
        slide.notes_slide.notes_text_frame.text = notes
        return slide

    def about(self, section: Section, said: str, title: str = "") -> tuple[Slide, float]:
        """The next slide, on a section, with a sentence below its title, and where there is room below that.

        All that the section says stands in the notes.
        """
        caption = section.picture.caption if section.picture else ""
        notes = [*section.paragraphs, *section.remarks, *read_aloud(section.tables), caption]
        slide = self.slide(title or section.title, notes)
        return slide, under(slide, said)

    def finish(self, slide: Slide) -> None:
        """Put what every slide carries and its number last, so that they are read last."""
        stamp = self.document.stamp
        lines = [SlideLine(text, FINE, quiet=True) for text in (FOOT, f"{stamp.line} · {stamp.made_for}")]
        box = add_text(slide, lines, left=LEFT, top=FOOT_TOP, width=BODY_WIDTH - 1, height=0.5)
        for paragraph in box.text_frame.paragraphs:
            paragraph.space_after = 0
        number = [SlideLine(str(self.number), FINE, quiet=True)]
        counter = add_text(slide, number, left=WIDTH - 1.4, top=FOOT_TOP, width=0.8, height=0.4)
        (run,) = counter._element.iter(qn("a:r"))
        run.tag = qn("a:fld")  # a field: the number follows when slides are moved
        run.set("id", "{7B0E6C0A-3C58-4E57-9E0B-5C2F2B7C7A11}")
        run.set("type", "slidenum")


def under(slide: Slide, text: str) -> float:
    """A sentence below the title; gives where there is room below it."""
    lines = len(wrap(text, LINE_LENGTH))
    add_text(slide, [SlideLine(text, NORMAL)], left=LEFT, top=1.15, width=BODY_WIDTH, height=0.1 + 0.36 * lines)
    return 1.35 + 0.36 * lines


def quiet_line(slide: Slide, text: str) -> float:
    """A quieter sentence at the foot of the slide; gives where it begins."""
    bottom = FOOT_TOP - 0.15 - 0.33 * (1 + len(text) // 100)
    place = {"left": LEFT, "top": bottom, "width": BODY_WIDTH, "height": FOOT_TOP - 0.1 - bottom}
    add_text(slide, [SlideLine(text, SMALL, quiet=True)], **place)
    return bottom


def listed_below(named: Sequence[tuple[str, str]]) -> str:
    """Names and counts of what is not drawn in at most three lines; the notes have all of them."""
    kept: list[str] = []
    for place, (label, counts) in enumerate(named):
        text = f"{label} ({counts})"
        if sum(len(one) + 2 for one in kept) + len(text) > LONGEST_LIST:
            return "; ".join([*kept, f"and {len(named) - place} more, in the notes"])
        kept.append(text)
    return "; ".join(kept)


def read_aloud(tables: Sequence[DocumentTable]) -> list[str]:
    """The rows of tables as lines: exact figures to read from."""
    lines = []
    for table in tables:
        lines.append(f"{table.caption}:")
        shown = [place for place, column in enumerate(table.columns) if place and column.on_page]
        for row in table.rows:
            cells = "; ".join(f"{table.columns[place].heading} {row[place].text}" for place in shown)
            lines.append(f"  {row[0].text}: {cells}")
    return lines
