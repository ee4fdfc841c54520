"""The slides for questions: what the talk leaves out, each comparison by itself, ready when somebody asks."""

from __future__ import annotations

from collections.abc import Callable

from dashboard.report.document import (
    Bars,
    Differences,
    Document,
    Picture,
    PracticeMeans,
    PracticeSizes,
    Section,
    StageBars,
)
from dashboard.report.formats.slides.deck import BODY_WIDTH, FOOT_TOP, LEFT, NORMAL, SMALL, SlideLine, add_text, set_alt
from dashboard.report.formats.slides.native_charts import difference_bars, stage_bars
from dashboard.report.formats.slides.native_pictures import size_points
from dashboard.report.formats.slides.slide_parts import (
    FOR_QUESTIONS,
    Deck,
    bars_with_list,
    quiet_line,
    read_aloud,
    under,
)
from dashboard.report.sections.practices import mean_rows

MOST_MEANS = 12
"""Bars of means on a slide, the mean over all practices among them."""

AROUND = ("flow", "missing", "threshold", "change", "definitions", "secondary")
"""Sections that are neither comparisons nor about practices, nor the definition."""


def add_questions(deck: Deck) -> None:
    """A slide that parts them from the talk and lists them, then the slides."""
    listed = question_slides(deck.document)
    notes = ["The slides after this one are not part of the talk. Go to one when it is asked for."]
    slide = deck.slide(FOR_QUESTIONS, notes, size=34)
    halves = (listed[: (len(listed) + 1) // 2], listed[(len(listed) + 1) // 2 :])
    for place, half in enumerate(halves):
        lines = [SlideLine(title, NORMAL, bullet=True) for title, _ in half]
        if lines:
            add_text(slide, lines, left=LEFT + place * 6, top=1.5, width=5.7, height=FOOT_TOP - 1.6)
    deck.finish(slide)
    deck.part = FOR_QUESTIONS
    for _, add in listed:
        add(deck)


def question_slides(document: Document) -> list[tuple[str, Callable[[Deck], None]]]:
    """Title of every slide for questions, and what makes it."""
    made: list[tuple[str, Callable[[Deck], None]]] = []
    for section in document.sections:
        maker = _maker(section)
        if maker is not None:
            made.append((_title(section), maker))
    return made


def _title(section: Section) -> str:
    is_crude = section.picture is not None and isinstance(section.picture.drawn, Bars) and section.name not in AROUND
    return f"{section.title}: crude shares" if is_crude else section.title


def _maker(section: Section) -> Callable[[Deck], None] | None:
    """What makes the slide of a section; None for one that the talk shows already, or that has nothing to draw."""
    picture = section.picture
    if section.name == "definition":
        return lambda deck: _definition(deck, section)
    if section.name == "flow":
        return lambda deck: _flow(deck, section)
    if picture is None or section.name == "definitions":
        return None
    drawn = picture.drawn
    if isinstance(drawn, Differences):
        return lambda deck: _held_alike(deck, section, picture, drawn)
    if isinstance(drawn, Bars):
        return lambda deck: _shares(deck, section, picture, drawn)
    if isinstance(drawn, PracticeSizes):
        return lambda deck: _sizes(deck, section, picture, drawn)
    if isinstance(drawn, PracticeMeans):
        return lambda deck: _means(deck, section, picture, drawn)
    return None


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
    if picture is not None and isinstance(picture.drawn, StageBars):
        frame = stage_bars(slide, picture.drawn.bars, box=(LEFT, top, 7.3, FOOT_TOP - 0.1 - top), size=SMALL)
        set_alt(frame, title=picture.title, text=picture.alt)
    reasons = [
        line
        for stage, _, lost in section.tables[0].rows
        if lost.text != "–"
        for line in (SlideLine(f"Lost after “{stage.text}”", SMALL, bold=True, quiet=True), SlideLine(lost.text, SMALL))
    ]
    add_text(slide, reasons, left=LEFT + 7.6, top=top, width=BODY_WIDTH - 7.6, height=4.4)
    deck.finish(slide)


def _shares(deck: Deck, section: Section, picture: Picture, drawn: Bars) -> None:
    """A comparison as it came, or what the missing could do."""
    said = [*section.paragraphs]
    if section.name not in AROUND:
        said[0] = "Crude: the groups were not alike at the start. An association, not an effect."
    notes = [*section.paragraphs, *section.remarks, *read_aloud(section.tables), picture.caption]
    slide = deck.slide(_title(section), notes)
    bars_with_list(slide, (picture.title, picture.alt), drawn.bars, top=under(slide, " ".join(said)))
    deck.finish(slide)


def _held_alike(deck: Deck, section: Section, picture: Picture, drawn: Differences) -> None:
    notes = [*section.paragraphs, *section.remarks, *read_aloud(section.tables), picture.caption]
    slide = deck.slide(section.title, notes)
    top = under(slide, " ".join(section.paragraphs[:2]))
    rows = [row for row in drawn.rows if row.value.number is not None]
    bottom = quiet_line(slide, " ".join(section.paragraphs[-2:]))
    if rows:
        frame = difference_bars(slide, rows, box=(LEFT, top, BODY_WIDTH, bottom - top), size=18)
        set_alt(frame, title=picture.title, text=picture.alt)
    deck.finish(slide)


def _sizes(deck: Deck, section: Section, picture: Picture, drawn: PracticeSizes) -> None:
    notes = [*section.paragraphs, *read_aloud(section.tables), picture.caption]
    slide = deck.slide(section.title, notes)
    top = under(slide, section.paragraphs[0])
    bottom = quiet_line(slide, "Outside the limits is a reason to ask, and no verdict. Hidden counts are not drawn.")
    frame = size_points(slide, drawn.pool, box=(LEFT, top, BODY_WIDTH, bottom - top), size=SMALL)
    set_alt(frame, title=picture.title, text=picture.alt)
    deck.finish(slide)


def _means(deck: Deck, section: Section, picture: Picture, drawn: PracticeMeans) -> None:
    notes = [*section.paragraphs, *section.remarks, *read_aloud(section.tables), picture.caption]
    slide = deck.slide(section.title, notes)
    top = under(slide, " ".join(section.paragraphs[:2]))
    rows, pool = mean_rows(drawn.pool), drawn.pool
    if len(rows) > MOST_MEANS:
        rows = (*rows[: MOST_MEANS - 1], rows[-1])
    bottom = quiet_line(slide, _ordered(len(pool.lines), len(rows) - 1))
    frame = difference_bars(
        slide,
        rows,
        box=(LEFT, top, BODY_WIDTH, bottom - top),
        size=18 if len(rows) <= 8 else SMALL,
        title=f"mean change, {pool.unit}; right is worse",
        fine=True,
    )
    set_alt(frame, title=picture.title, text=picture.alt)
    deck.finish(slide)


def _ordered(n: int, n_drawn: int) -> str:
    order = "In order of size, the largest first, and not by result: this is no ranking."
    return order if n_drawn >= n else f"{order} The {n_drawn} largest of {n} practices; the notes have all."
