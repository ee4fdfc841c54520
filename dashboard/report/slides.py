"""Slides that survive questions: one message each, native charts, caveats and exact figures in the notes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from dashboard.report.deck import (
    BODY_TOP,
    BODY_WIDTH,
    FOOT_TOP,
    LARGE,
    LEFT,
    NORMAL,
    SMALL,
    TITLE,
    Line,
    add_foot,
    add_notes,
    add_slide,
    add_text,
    new_deck,
    place_shape,
    saved,
    set_alt,
)
from dashboard.report.document import Bars, Differences, StageBars
from dashboard.report.native_charts import difference_bars, share_bars, stage_bars, threshold_lines
from warehouse.threshold import ThresholdCurve

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pptx.presentation import Presentation
    from pptx.slide import Slide

    from dashboard.report.document import Bar, Document, Picture, Section, Table

LONGEST_ANSWER = 130
"""Characters of an answer that fill two lines of a title."""

MOST_BARS = 10
"""Bars on a slide; what does not fit, or has no share to draw, is listed below the chart."""

LINE_LENGTH = 100
"""Characters of the normal size that fit on a line."""

TITLE_SIZES = ((70, 44), (110, 34))
"""Characters that a title may have to be set in a size."""

LONGEST_LIST = 290
"""Characters of the list of what is not drawn."""

AROUND = ("definition", "flow", "missing", "threshold", "change", "definitions", "secondary")
"""Sections that are not comparisons."""


@dataclass(slots=True)
class Deck:
    """The presentation being made."""

    presentation: Presentation
    document: Document
    number: int = 0

    def slide(self, title: str, notes: Sequence[str], *, size: int = TITLE) -> Slide:
        """The next slide, with its foot and notes."""
        self.number += 1
        slide = add_slide(self.presentation, title, size=size)
        stamp, document = self.document.stamp, self.document
        add_notes(slide, [*notes, document.made_for, f"{stamp.line}.", document.caution])
        return slide

    def finish(self, slide: Slide) -> None:
        """Put the foot last, so that it is read last."""
        add_foot(slide, self.document, self.number)


def slides_file(document: Document) -> bytes:
    """The document as slides."""
    deck = Deck(new_deck(document), document)
    _title(deck)
    _answer(deck)
    _definition(deck)
    _flow(deck)
    for section in document.sections:
        if section.picture is not None and isinstance(section.picture.drawn, Differences):
            _held_alike(deck, section, section.picture, section.picture.drawn)
        elif section.name not in AROUND:
            _comparison(deck, section)
    _threshold(deck)
    _missing(deck)
    _limits(deck)
    return saved(deck.presentation)


def _title(deck: Deck) -> None:
    document = deck.document
    size = next((size for longest, size in TITLE_SIZES if len(document.title) <= longest), LARGE)
    slide = deck.slide(document.title, [document.answer, document.cases], size=size)
    place_shape(slide.shapes.title, LEFT, 1.3, BODY_WIDTH, 1.9)
    lines = [
        Line(document.cases, LARGE),
        Line(f"Adverse by {document.stamp.definition}", NORMAL, quiet=True),
        Line(f"Data published {document.stamp.published}, build {document.stamp.build}", NORMAL, quiet=True),
        Line(document.caution, SMALL, quiet=True),
    ]
    add_text(slide, lines, left=LEFT, top=3.4, width=BODY_WIDTH, height=3.2)
    deck.finish(slide)


def _answer(deck: Deck) -> None:
    document = deck.document
    size = TITLE if len(document.answer) <= LONGEST_ANSWER else LARGE
    slide = deck.slide(document.answer, [document.answer, *document.lead], size=size)
    width = BODY_WIDTH / len(document.headline)
    big = 54 if all(len(figure) < 8 for figure, _ in document.headline) else 32
    for place, (figure, meaning) in enumerate(document.headline):
        lines = [Line(figure, big, bold=True), Line(meaning, NORMAL)]
        add_text(slide, lines, left=LEFT + place * width, top=BODY_TOP + 0.2, width=width - 0.3, height=2.6)
    lines = [Line(text, NORMAL) for text in (document.lead[0], document.lead[-1])]
    add_text(slide, lines, left=LEFT, top=4.85, width=BODY_WIDTH, height=1.9)
    deck.finish(slide)


def _definition(deck: Deck) -> None:
    section = deck.document.section("definition")
    slide = deck.slide(section.title, [*(f"{label}: {text}" for label, text in section.facts), *section.remarks])
    lines = []
    for label, text in section.facts:
        lines += [Line(label, SMALL, quiet=True, bold=True), Line(text, NORMAL)]
    add_text(slide, lines, left=LEFT, top=1.45, width=BODY_WIDTH, height=FOOT_TOP - 1.5)
    deck.finish(slide)


def _flow(deck: Deck) -> None:
    section = deck.document.section("flow")
    slide = deck.slide(section.title, [*section.paragraphs, *_read(section.tables)])
    top = _under(slide, section.paragraphs[0])
    picture = section.picture
    if picture is not None and isinstance(picture.drawn, StageBars):
        frame = stage_bars(slide, picture.drawn.bars, box=(LEFT, top, 7.3, FOOT_TOP - 0.1 - top), size=SMALL)
        set_alt(frame, title=picture.title, text=picture.alt)
    reasons = [
        line
        for stage, _, lost in section.tables[0].rows
        if lost.text != "–"
        for line in (Line(f"Lost after “{stage.text}”", SMALL, bold=True, quiet=True), Line(lost.text, SMALL))
    ]
    add_text(slide, reasons, left=LEFT + 7.6, top=top, width=BODY_WIDTH - 7.6, height=4.4)
    deck.finish(slide)


def _comparison(deck: Deck, section: Section) -> None:
    notes = [
        *section.paragraphs,
        *section.remarks,
        *_read(section.tables),
        section.picture.caption if section.picture else "",
    ]
    slide = deck.slide(f"{section.title}: crude shares", [note for note in notes if note])
    said = ["Crude: the groups were not alike at the start. An association, not an effect.", *section.paragraphs[1:]]
    top = _under(slide, " ".join(said))
    if section.picture is not None and isinstance(section.picture.drawn, Bars):
        _bars(slide, section.picture, section.picture.drawn.bars, top=top)
    deck.finish(slide)


def _held_alike(deck: Deck, section: Section, picture: Picture, drawn: Differences) -> None:
    notes = [*section.paragraphs, *section.remarks, *_read(section.tables), picture.caption]
    slide = deck.slide(section.title, notes)
    top = _under(slide, " ".join(section.paragraphs[:2]))
    rows = [row for row in drawn.rows if row.value.number is not None]
    planned = section.paragraphs[-2:]
    bottom = FOOT_TOP - 0.15 - 0.3 * (1 + len(" ".join(planned)) // 115)
    if rows:
        size = 18
        frame = difference_bars(slide, rows, box=(LEFT, top, BODY_WIDTH, bottom - top), size=size)
        set_alt(frame, title=picture.title, text=picture.alt)
    add_text(
        slide,
        [Line(" ".join(planned), SMALL, quiet=True)],
        left=LEFT,
        top=bottom,
        width=BODY_WIDTH,
        height=FOOT_TOP - 0.1 - bottom,
    )
    deck.finish(slide)


def _under(slide: Slide, text: str) -> float:
    """A sentence below the title; gives where there is room below it."""
    lines = 1 + len(text) // LINE_LENGTH
    add_text(slide, [Line(text, NORMAL)], left=LEFT, top=1.15, width=BODY_WIDTH, height=0.1 + 0.36 * lines)
    return 1.35 + 0.36 * lines


def _bars(slide: Slide, picture: Picture, bars: tuple[Bar, ...], *, top: float) -> None:
    """The bars that have a share, and below them, in words, those that have none."""
    drawn = [bar for bar in bars if bar.share.number is not None][:MOST_BARS]
    others = [bar for bar in bars if bar not in drawn]
    listed = _listed(others)
    lines = [Line(f"Not drawn: {listed}.", SMALL, quiet=True)] if others else []
    low = 0.35 + 0.3 * (len(listed) // 105) if others else 0.0
    bottom = FOOT_TOP - 0.1 - low
    if drawn:
        size = 18 if len(drawn) <= 6 else SMALL
        frame = share_bars(slide, drawn, box=(LEFT, top, BODY_WIDTH, bottom - top), size=size)
        set_alt(frame, title=picture.title, text=picture.alt)
    else:
        lines = [Line("No share can be shown here.", LARGE), *lines]
        bottom = top
    if lines:
        add_text(slide, lines, left=LEFT, top=bottom, width=BODY_WIDTH, height=max(low, 0.4))


def _listed(bars: Sequence[Bar]) -> str:
    """Names and counts of bars in at most three lines; the notes have all of them."""
    named: list[str] = []
    for place, bar in enumerate(bars):
        text = f"{bar.label} ({bar.counts})"
        if sum(len(one) + 2 for one in named) + len(text) > LONGEST_LIST:
            return "; ".join([*named, f"and {len(bars) - place} more, in the notes"])
        named.append(text)
    return "; ".join(named)


def _threshold(deck: Deck) -> None:
    section = deck.document.section("threshold")
    others = deck.document.section("definitions")
    notes = [*section.paragraphs, *_read(section.tables), *others.paragraphs, *_read(others.tables), *others.remarks]
    picture = section.picture
    slide = deck.slide(section.title, [*notes, picture.caption if picture else ""])
    said = [*section.paragraphs, "There is no agreed threshold.", *others.paragraphs]
    top = _under(slide, " ".join(said))
    if picture is not None and isinstance(picture.drawn, ThresholdCurve):
        box = (LEFT, top, BODY_WIDTH, FOOT_TOP - 0.1 - top)
        title = section.tables[0].columns[0].heading
        frame = threshold_lines(slide, picture.drawn, box=box, size=SMALL, title=title)
        set_alt(frame, title=picture.title, text=picture.alt)
    elif others.picture is not None and isinstance(others.picture.drawn, Bars):
        _bars(slide, others.picture, others.picture.drawn.bars, top=top)
    deck.finish(slide)


def _missing(deck: Deck) -> None:
    section = deck.document.section("missing")
    slide = deck.slide(section.title, [*section.paragraphs, *_read(section.tables)])
    top = _under(slide, section.paragraphs[0])
    if section.picture is not None and isinstance(section.picture.drawn, Bars):
        _bars(slide, section.picture, section.picture.drawn.bars, top=top)
    deck.finish(slide)


def _limits(deck: Deck) -> None:
    document = deck.document
    notes = [*document.limits, *document.cautions, *document.methods]
    slide = deck.slide("What these figures cannot tell", notes)
    lines = [Line(text, 18, bullet=True) for text in document.limits]
    lines.append(Line(document.caution, SMALL, quiet=True))
    add_text(slide, lines, left=LEFT, top=1.3, width=BODY_WIDTH, height=FOOT_TOP - 1.4)
    deck.finish(slide)


def _read(tables: Sequence[Table]) -> list[str]:
    """The rows of tables as lines: exact figures to read from."""
    lines = []
    for table in tables:
        lines.append(f"{table.caption}:")
        shown = [place for place, column in enumerate(table.columns) if place and column.on_page]
        for row in table.rows:
            cells = "; ".join(f"{table.columns[place].heading} {row[place].text}" for place in shown)
            lines.append(f"  {row[0].text}: {cells}")
    return lines
