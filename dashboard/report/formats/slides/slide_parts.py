"""What slides of a report have in common: the deck with its foot and notes, a sentence below the title, bars."""

from __future__ import annotations

from dataclasses import dataclass
from textwrap import wrap
from typing import TYPE_CHECKING

from dashboard.report.formats.slides.deck import (
    BODY_WIDTH,
    FOOT_TOP,
    LARGE,
    LEFT,
    NORMAL,
    SMALL,
    TITLE,
    SlideLine,
    add_foot,
    add_notes,
    add_slide,
    add_text,
    set_alt,
)
from dashboard.report.formats.slides.native_charts import share_bars

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pptx.presentation import Presentation
    from pptx.slide import Slide

    from dashboard.report.document import Bar, Document, DocumentTable

MOST_BARS = 10
"""Bars on a slide; what does not fit, or has no share to draw, is listed below the chart."""

LINE_LENGTH = 88
"""Characters of the normal size that fit on a line, however wide the letters."""

LONGEST_LIST = 290
"""Characters of the list of what is not drawn."""

FOR_QUESTIONS = "For questions"


@dataclass(slots=True)
class Deck:
    """The presentation being made; ``part`` names the part its next slides belong to, and is empty in the talk."""

    presentation: Presentation
    document: Document
    number: int = 0
    part: str = ""

    def slide(self, title: str, notes: Sequence[str], *, size: int = TITLE) -> Slide:
        """The next slide, with its foot and notes."""
        self.number += 1
        slide = add_slide(self.presentation, title, size=size)
        if self.part:
            kicker = [SlideLine(self.part, SMALL, quiet=True)]
            add_text(slide, kicker, left=LEFT, top=0.1, width=BODY_WIDTH, height=0.35)
        stamp, document = self.document.stamp, self.document
        said = [note for note in notes if note]
        add_notes(slide, [*said, document.made_for, f"{stamp.line}.", document.caution])
        return slide

    def finish(self, slide: Slide) -> None:
        """Put the foot last, so that it is read last."""
        add_foot(slide, self.document, self.number)


def under(slide: Slide, text: str) -> float:
    """A sentence below the title; gives where there is room below it."""
    lines = len(wrap(text, LINE_LENGTH))
    add_text(slide, [SlideLine(text, NORMAL)], left=LEFT, top=1.15, width=BODY_WIDTH, height=0.1 + 0.36 * lines)
    return 1.35 + 0.36 * lines


def quiet_line(slide: Slide, text: str) -> float:
    """A quieter sentence at the foot of the slide; gives where it begins."""
    bottom = FOOT_TOP - 0.15 - 0.3 * (1 + len(text) // 115)
    place = {"left": LEFT, "top": bottom, "width": BODY_WIDTH, "height": FOOT_TOP - 0.1 - bottom}
    add_text(slide, [SlideLine(text, SMALL, quiet=True)], **place)
    return bottom


def bars_with_list(slide: Slide, named: tuple[str, str], bars: tuple[Bar, ...], *, top: float, foot: str = "") -> None:
    """The bars that have a share, and below them, in words, those that have none; ``named``: title and alternative."""
    drawn = [bar for bar in bars if bar.share.number is not None][:MOST_BARS]
    others = [bar for bar in bars if bar not in drawn]
    listed = listed_below([(bar.label, bar.counts) for bar in others])
    text = " ".join([*([f"Not drawn: {listed}."] if others else []), *([foot] if foot else [])])
    lines = [SlideLine(text, SMALL, quiet=True)] if text else []
    low = 0.35 + 0.3 * (len(text) // 115) if text else 0.0
    bottom = FOOT_TOP - 0.1 - low
    if drawn:
        size = 18 if len(drawn) <= 6 else SMALL
        frame = share_bars(slide, drawn, box=(LEFT, top, BODY_WIDTH, bottom - top), size=size)
        set_alt(frame, title=named[0], text=named[1])
    else:
        lines = [SlideLine("No share can be shown here.", LARGE), *lines]
        bottom = top
    if lines:
        add_text(slide, lines, left=LEFT, top=bottom, width=BODY_WIDTH, height=max(low, 0.4))


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
