"""The talk: eight slides that answer the question, each with its finding as its title.

The finding; shares by appliance; two groups like with like; age and extraction; worse and better beside what was
expected; from start to finish; what could be wrong; what we will change. Notes are to be spoken: they say what the
slide shows, in 60 to 120 words. Exact figures stand on the slides for questions.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

import polars as pl
from pptx.slide import Slide

from dashboard.charts.changes import Histogram
from dashboard.charts.course import Slopes
from dashboard.charts.intervals import COUNTED, DIFFERENCE
from dashboard.report.document import Document, Picture, Section
from dashboard.report.formats.slides.deck import (
    BODY_WIDTH,
    FOOT_TOP,
    LARGE,
    LEFT,
    NORMAL,
    SMALL,
    Deck,
    SlideLine,
    add_text,
    listed_below,
    quiet_line,
    set_alt,
)
from dashboard.report.formats.slides.native import UNITS, bars, draw
from warehouse.words.sentences import say

MOST_BARS = 8
"""Bars on a slide; what does not fit, or has no share to draw, is listed below the chart."""

BODY_TOP = 1.75
"""Where a slide begins below its title of two lines, in inches."""

FEWEST_WORDS, MOST_WORDS = 60, 120
"""Words of the notes of a slide: half a minute to a minute of speaking (common practice, no source)."""

AS_THEY_CAME = say("talk.crude")
BARS = say("talk.bars")
Row = Mapping[str, Any]


def add_talk(deck: Deck) -> None:
    """The slides; what there is nothing for is left out."""
    _finding(deck)
    _groups(deck)
    _like_with_like(deck)
    _two_groupings(deck)
    _both_ways(deck)
    _start_to_finish(deck)
    _wrong(deck)
    _change(deck)


def spoken(about: Iterable[str], marks: str = "") -> str:
    """What is said with a slide: its finding, what its marks are, and what must not be forgotten, within the words."""
    kept: list[str] = []
    told = _split([marks])
    for sentence in dict.fromkeys(_split(about)):
        if _length([*kept, *told, sentence]) <= MOST_WORDS:
            kept.append(sentence)
    kept += told
    for sentence in _split([say("talk.always")]):
        if _length(kept) < FEWEST_WORDS:
            kept.append(sentence)
    return " ".join(kept)


def _length(sentences: Iterable[str]) -> int:
    return sum(len(one.split()) for one in sentences)


def _split(texts: Iterable[str]) -> list[str]:
    return [one for text in texts if text for one in re.split(r"(?<=[.!?])\s+(?=[A-Z0-9“])", text.strip())]


def _crude(document: Document) -> list[tuple[Section, Picture]]:
    """The comparisons as they came, in order."""
    held = [(one, one.picture) for one in document.sections if one.picture is not None]
    return [(section, picture) for section, picture in held if picture.title.endswith(", crude")]


def _finding(deck: Deck) -> None:
    document = deck.document
    meant = dict(document.section("definition").facts)["A case is adverse if"]
    slide = deck.talk(document.answer, spoken([document.answer, f"A case is adverse if {meant}", *document.lead]))
    kicker = [SlideLine(document.title, SMALL, quiet=True)]
    add_text(slide, kicker, left=LEFT, top=0.1, width=BODY_WIDTH, height=0.4)
    width = BODY_WIDTH / len(document.headline)
    big = 54 if all(len(figure) < 8 for figure, _ in document.headline) else 20
    small = NORMAL if len(document.headline) < 4 else SMALL
    for place, (figure, meaning) in enumerate(document.headline):
        lines = [SlideLine(figure, big, bold=True), SlideLine(meaning, small)]
        add_text(slide, lines, left=LEFT + place * width, top=2.0, width=width - 0.2, height=2.3)
    lines = [SlideLine(text, SMALL) for text in (document.lead[0], f"Adverse: {meant}")]
    lines += [SlideLine(f"{document.cases}.", SMALL, quiet=True)]
    add_text(slide, lines, left=LEFT, top=4.05, width=BODY_WIDTH, height=FOOT_TOP - 4.15)
    deck.finish(slide)


def _groups(deck: Deck) -> None:
    """The first comparison as it came."""
    for section, picture in _crude(deck.document)[:1]:
        slide = deck.talk(_titled(section), spoken([section.title + ".", section.finding, AS_THEY_CAME], BARS))
        bars_with_list(slide, picture, title=f"{picture.title}, in the talk", top=BODY_TOP, foot=AS_THEY_CAME)
        deck.finish(slide)


def _titled(section: Section) -> str:
    return f"{section.title}: {section.finding}" if section.finding else section.title


def _like_with_like(deck: Deck) -> None:
    """The comparison planned, or the one that rests on most cases: crude above adjusted."""
    pictured = [(one, one.picture) for one in deck.document.sections if one.picture is not None and one.finding]
    held = [(section, picture) for section, picture in pictured if picture.groups]
    if not held:
        return
    planned = [pair for pair in held if any(text.startswith("Planned:") for text in pair[0].paragraphs)]
    section, picture = (planned or sorted(held, key=lambda pair: -_cases(pair[0])))[0]
    rows = picture.figure.frame.rows(named=True)
    crude = next((row for row in rows if row["name"].removeprefix("★ ") == "crude"), None)
    main = next((row for row in rows if row["kind"] == COUNTED), None)
    drawn = [(name, row) for name, row in (("crude", crude), ("adjusted", main)) if row and row["value"] is not None]
    about = [section.finding, *section.paragraphs[:1], say("talk.which_pair" if not planned else "talk.planned")]
    slide = deck.talk(section.finding, spoken(about, say("talk.differences")))
    bottom = quiet_line(slide, say("talk.which_pair" if not planned else "talk.planned"))
    if drawn:
        labels = [f"{name}: {row['said']}" for name, row in drawn]
        box = (LEFT, BODY_TOP, BODY_WIDTH, min(3.6, bottom - BODY_TOP))
        frame = bars(
            slide, labels, {UNITS["points"].series: [row for _, row in drawn]}, UNITS["points"], DIFFERENCE, box=box
        )
        set_alt(frame, title="Crude and adjusted", text=f"Differences in percentage points. {'; '.join(labels)}.")
    deck.finish(slide)


def _cases(section: Section) -> float:
    """Complete cases that an adjusted comparison rests on, where they may be shown."""
    table = section.tables[0]
    place = [column.key for column in table.columns].index("complete_cases")
    return sum(row[place].number or 0.0 for row in table.rows)


def _two_groupings(deck: Deck) -> None:
    """The next two comparisons side by side."""
    held = _crude(deck.document)[1:3]
    if not held:
        return
    title = " ".join(_titled(section) for section, _ in held)
    slide = deck.talk(title, spoken([*(_titled(section) for section, _ in held), AS_THEY_CAME], BARS))
    bottom = quiet_line(slide, AS_THEY_CAME)
    width = BODY_WIDTH / len(held)
    for place, (section, picture) in enumerate(held):
        left = LEFT + place * width
        heading = [SlideLine(section.title, SMALL, bold=True)]
        add_text(slide, heading, left=left, top=BODY_TOP, width=width, height=0.4)
        drawn = picture.figure.frame.filter(pl.col("value").is_not_null()).head(MOST_BARS)
        if not drawn.is_empty():
            box = (left, BODY_TOP + 0.4, width - 0.2, bottom - BODY_TOP - 0.45)
            draw(slide, replace(picture.figure, frame=drawn), title=f"{picture.title}, in the talk", box=box)
    deck.finish(slide)


def _both_ways(deck: Deck) -> None:
    """Worse and better together, with what was expected."""
    section = deck.document.section("both_ways")
    if section.picture is not None:
        slide = deck.talk(section.finding, spoken([section.finding, *section.paragraphs], BARS))
        bars_with_list(slide, section.picture, title=f"{section.picture.title}, in the talk", top=BODY_TOP)
        deck.finish(slide)


def _start_to_finish(deck: Deck) -> None:
    """The mean at the start and at the finish beside what growth alone would have made of it."""
    document = deck.document
    section = next((one for one in document.sections if one.name in {"course", "change"} and one.picture), None)
    if section is None or section.picture is None:
        return
    marks = say("talk.slopes" if isinstance(section.picture.figure, Slopes) else "talk.histogram")
    if isinstance(section.picture.figure, Slopes | Histogram):
        slide = deck.talk(
            section.finding or section.paragraphs[0], spoken([section.finding, *section.paragraphs], marks)
        )
        box = (LEFT, BODY_TOP, BODY_WIDTH, FOOT_TOP - 0.15 - BODY_TOP)
        draw(slide, section.picture.figure, title=f"{section.picture.title}, in the talk", box=box)
        deck.finish(slide)


def _wrong(deck: Deck) -> None:
    document = deck.document
    slide = deck.talk(say("talk.wrong"), spoken([say("talk.wrong"), *document.limits], ""))
    lines: list[SlideLine] = []
    for text in document.limits:
        if sum(len(line.text) for line in lines) + len(text) <= 700:
            lines.append(SlideLine(text, NORMAL, bullet=True))
    add_text(slide, lines, left=LEFT, top=BODY_TOP, width=BODY_WIDTH, height=FOOT_TOP - 0.1 - BODY_TOP)
    deck.finish(slide)


def _change(deck: Deck) -> None:
    document = deck.document
    slide = deck.talk(say("talk.change"), spoken([say("talk.change"), *document.steps], ""))
    lines = [SlideLine(text, LARGE, bullet=True) for text in document.steps]
    add_text(slide, lines, left=LEFT, top=BODY_TOP, width=BODY_WIDTH, height=FOOT_TOP - 0.1 - BODY_TOP)
    deck.finish(slide)


def bars_with_list(slide: Slide, picture: Picture, *, title: str, top: float, foot: str = "") -> None:
    """The shares that there are, and below them, in words, those that do not fit or are not shown."""
    rows = picture.figure.frame
    drawn = rows.filter(pl.col("value").is_not_null()).head(MOST_BARS)
    others = rows.join(drawn, on="position", how="anti").select("name", "counts").rows()
    text = " ".join([*([f"Not drawn: {listed_below(others)}."] if others else []), *([foot] if foot else [])])
    bottom = quiet_line(slide, text) if text else FOOT_TOP - 0.1
    if drawn.is_empty():
        lines = [SlideLine("No share can be shown here.", LARGE)]
        add_text(slide, lines, left=LEFT, top=top, width=BODY_WIDTH, height=1)
        return
    box = (LEFT, top, BODY_WIDTH, min(bottom - top, 1.2 + 0.8 * drawn.height))
    draw(slide, replace(picture.figure, frame=drawn), title=title, box=box)
