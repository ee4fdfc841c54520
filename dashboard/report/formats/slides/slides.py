"""The report as slides: a talk in eight, and after it, parted from it, slides for questions.

Every slide has one message; charts are native and can be edited; caveats and exact figures stand in the notes. The
slides for questions are what the talk leaves out, each comparison by itself, ready when somebody asks.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import polars as pl

from dashboard.charts.funnel import FunnelPlot
from dashboard.charts.intervals import EXPECTED, TOGETHER, Intervals
from dashboard.report.document import Document, Picture, Section
from dashboard.report.formats.slides.deck import (
    BODY_WIDTH,
    FOOT_TOP,
    FOR_QUESTIONS,
    LEFT,
    NORMAL,
    SMALL,
    Deck,
    SlideLine,
    add_text,
    lead_to,
    listed_below,
    new_deck,
    parted,
    quiet_line,
    read_aloud,
    saved,
    under,
)
from dashboard.report.formats.slides.native import draw
from dashboard.report.formats.slides.talk import AS_THEY_CAME, add_talk, bars_with_list

THE_TALK = "The talk"

MOST_MEANS = 12
"""Bars of means on a slide, the mean over all practices among them."""

ORDERED = "In order of size, the largest first, and not by result: this is no ranking."
AROUND = ("flow", "missing", "threshold", "change", "definitions", "secondary", "both_ways", "course")
"""Sections that are neither comparisons nor about practices, nor the definition."""


def slides_file(document: Document) -> bytes:
    """The document as slides."""
    deck = Deck(new_deck(document), document)
    add_talk(deck)
    n_talk = deck.number
    if document.with_questions:
        add_questions(deck)
    parted(deck.presentation, {THE_TALK: n_talk, FOR_QUESTIONS: deck.number - n_talk})
    return saved(deck.presentation)


def add_questions(deck: Deck) -> None:
    """A slide that parts them from the talk and lists them, each entry leading to its slide, then the slides."""
    document = deck.document
    listed = question_slides(document)
    notes = ["The slides after this one are not part of the talk. Go to one when it is asked for."]
    slide = deck.slide(FOR_QUESTIONS, [*notes, document.answer, *document.lead, document.cases], size=34)
    halves = (listed[: (len(listed) + 1) // 2], listed[(len(listed) + 1) // 2 :])
    boxes = []
    for place, half in enumerate(halves):
        lines = [SlideLine(title, SMALL, bullet=True) for title, _ in half]
        if lines:
            boxes.append(add_text(slide, lines, left=LEFT + place * 6, top=1.3, width=5.7, height=FOOT_TOP - 1.4))
    deck.finish(slide)
    deck.part, deck.contents = FOR_QUESTIONS, slide
    first = deck.number
    for _, add in listed:
        add(deck)
    made = list(deck.presentation.slides)[first:]
    entries = [run for box in boxes for paragraph in box.text_frame.paragraphs for run in paragraph.runs]
    for run, target in zip(entries, made, strict=True):
        lead_to(slide, run, target)


def question_slides(document: Document) -> list[tuple[str, Callable[[Deck], None]]]:
    """Title of every slide for questions, and what makes it."""
    made: list[tuple[str, Callable[[Deck], None]]] = []
    for section in document.sections:
        maker = _maker(section)
        if maker is not None:
            made.append((_title(section), maker))
    return made


def _title(section: Section) -> str:
    is_crude = section.name not in AROUND and section.picture is not None and _holds_shares(section.picture)
    return f"{section.title}: crude shares" if is_crude else section.title


def _maker(section: Section) -> Callable[[Deck], None] | None:
    """What makes the slide of a section; None for one that the talk shows already, or that has nothing to draw."""
    picture = section.picture
    if section.name == "definition":
        return lambda deck: _definition(deck, section)
    if section.name == "flow":
        return lambda deck: _flow(deck, section)
    if picture is None:
        return None
    if picture.groups:
        return lambda deck: _held_alike(deck, section, picture)
    if section.name == "practice_means":
        return lambda deck: _means(deck, section, picture)
    if isinstance(picture.figure, FunnelPlot):
        return lambda deck: _sizes(deck, section, picture)
    if _holds_shares(picture):
        return lambda deck: _shares(deck, section, picture)
    return lambda deck: _drawn(deck, section, picture)


def _holds_shares(picture: Picture) -> bool:
    """Whether it shows shares of groups, and not of practices."""
    figure = picture.figure
    return isinstance(figure, Intervals) and figure.unit == "share" and picture.name != "practices"


def _definition(deck: Deck, section: Section) -> None:
    slide = deck.slide(section.title, [*(f"{label}: {text}" for label, text in section.facts), *section.remarks])
    lines = []
    for label, text in section.facts:
        lines += [SlideLine(label, SMALL, quiet=True, bold=True), SlideLine(text, NORMAL)]
    add_text(slide, lines, left=LEFT, top=1.45, width=BODY_WIDTH, height=FOOT_TOP - 1.5)
    deck.finish(slide)


def _flow(deck: Deck, section: Section) -> None:
    slide = deck.slide(section.title, [*section.paragraphs, *read_aloud(section.tables)])
    top = under(slide, section.paragraphs[0])
    picture = section.picture
    if picture is not None:
        draw(slide, picture.figure, title=picture.title, box=(LEFT, top, 7.3, FOOT_TOP - 0.1 - top))
    reasons = [
        line
        for stage, _, lost in section.tables[0].rows
        if lost.text != "–"
        for line in (SlideLine(f"Lost after “{stage.text}”", SMALL, bold=True, quiet=True), SlideLine(lost.text, SMALL))
    ]
    add_text(slide, reasons, left=LEFT + 7.6, top=top, width=BODY_WIDTH - 7.6, height=4.4)
    deck.finish(slide)


def _shares(deck: Deck, section: Section, picture: Picture) -> None:
    """A comparison as it came, or what the missing could do."""
    said = [*section.paragraphs]
    if section.name not in AROUND:
        said[0] = AS_THEY_CAME
    slide, top = deck.about(section, " ".join(said), _title(section))
    bars_with_list(slide, picture, title=picture.title, top=top)
    deck.finish(slide)


def _held_alike(deck: Deck, section: Section, picture: Picture) -> None:
    slide, top = deck.about(section, " ".join(section.paragraphs[:2]))
    figure = replace(picture.figure, frame=picture.figure.frame.drop_nulls("value"))
    bottom = quiet_line(slide, " ".join(section.paragraphs[-2:]))
    if not figure.frame.is_empty():
        draw(slide, figure, title=picture.title, box=(LEFT, top, BODY_WIDTH, bottom - top), size=18)
    deck.finish(slide)


def _drawn(deck: Deck, section: Section, picture: Picture) -> None:
    """A picture below its first sentences."""
    slide, top = deck.about(section, " ".join(section.paragraphs[:2]))
    figure = picture.figure
    if isinstance(figure, Intervals):  # practices: those whose count is hidden have no bar
        rows = figure.frame.filter(pl.col("kind") != EXPECTED)
        shown = rows.filter(pl.col("value").is_not_null())
        hidden = rows.filter(pl.col("value").is_null()).select("name", "counts").rows()
        figure = replace(figure, frame=shown.head(MOST_MEANS))
        bottom = quiet_line(slide, f"{ORDERED} Not drawn: {listed_below(hidden)}." if hidden else ORDERED)
    else:
        bottom = FOOT_TOP - 0.1
    if not figure.frame.is_empty():
        draw(slide, figure, title=picture.title, box=(LEFT, top, BODY_WIDTH, bottom - top))
    deck.finish(slide)


def _sizes(deck: Deck, section: Section, picture: Picture) -> None:
    slide, top = deck.about(section, section.paragraphs[0])
    bottom = quiet_line(slide, "Outside the limits is a reason to ask, and no verdict. Hidden counts are not drawn.")
    draw(slide, picture.figure, title=picture.title, box=(LEFT, top, BODY_WIDTH, bottom - top))
    deck.finish(slide)


def _means(deck: Deck, section: Section, picture: Picture) -> None:
    slide, top = deck.about(section, " ".join(section.paragraphs[:2]))
    rows = picture.figure.frame.filter(pl.col("kind") != EXPECTED)
    practices, together = rows.filter(pl.col("kind") != TOGETHER), rows.filter(pl.col("kind") == TOGETHER)
    drawn = practices if rows.height <= MOST_MEANS else practices.head(MOST_MEANS - 1)
    largest = f" The {drawn.height} largest of {practices.height} practices; the notes have all."
    bottom = quiet_line(slide, ORDERED + (largest if drawn.height < practices.height else ""))
    figure = replace(picture.figure, frame=pl.concat([drawn, together]))
    size = 18 if figure.frame.height <= 8 else SMALL
    draw(slide, figure, title=picture.title, box=(LEFT, top, BODY_WIDTH, bottom - top), size=size)
    deck.finish(slide)
