"""The report as slides: a talk in eight, and after it, parted from it, slides for questions.

Every slide has one message; charts are native and can be edited; caveats and exact figures stand in the notes. The
slides for questions are what the talk leaves out, each comparison by itself, ready when somebody asks.
"""

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from typing import Any

import polars as pl
from pptx.slide import Slide

from dashboard.charts.changes import Histogram
from dashboard.charts.course import Slopes
from dashboard.charts.funnel import FunnelPlot
from dashboard.charts.intervals import COUNTED, DIFFERENCE, EXPECTED, TOGETHER, Intervals
from dashboard.report.document import MOST_READ, Document, Picture, Section
from dashboard.report.formats.slides.deck import (
    BODY_WIDTH,
    FOOT_TOP,
    FOR_QUESTIONS,
    LARGE,
    LEFT,
    LONGEST_LIST,
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
    set_alt,
    under,
)
from dashboard.report.formats.slides.native import UNITS, bars, draw
from warehouse.words.sentences import say

MOST_BARS = MOST_READ  # bars on a slide; what does not fit, or has no share to draw, is listed below the chart
BODY_TOP = 1.75  # where a slide begins below its title of two lines, in inches

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
    slide = deck.talk(document.answer, spoken([document.answer, say("talk.meant", meant=meant), *document.lead]))
    kicker = [SlideLine(document.title, SMALL, quiet=True)]
    add_text(slide, kicker, left=LEFT, top=0.1, width=BODY_WIDTH, height=0.4)
    width = BODY_WIDTH / len(document.headline)
    small = NORMAL if len(document.headline) < 4 else SMALL
    for place, (figure, meaning) in enumerate(document.headline):
        is_short = len(figure) < 8
        top = BODY_TOP if is_short else BODY_TOP + 0.22  # on one line with the larger ones
        add_text(
            slide,
            [SlideLine(figure, 44 if is_short else 24, bold=True)],
            left=LEFT + place * width,
            top=top,
            width=width,
            height=0.8,
        )
        add_text(slide, [SlideLine(meaning, small)], left=LEFT + place * width, top=2.55, width=width - 0.2, height=1.6)
    lines = [SlideLine(f"Adverse: {meant}", SMALL)]
    lines += [SlideLine(f"{document.cases}.", SMALL, quiet=True)]
    add_text(slide, lines, left=LEFT, top=4.35, width=BODY_WIDTH, height=FOOT_TOP - 4.45)
    deck.finish(slide)


def _groups(deck: Deck) -> None:
    """The first comparison as it came."""
    for section, picture in _crude(deck.document)[:1]:
        slide = deck.talk(_titled(section), spoken([section.title + ".", section.finding, AS_THEY_CAME], BARS))
        bars_with_list(
            slide, picture, title=f"{picture.title}, in the talk", top=BODY_TOP, foot=AS_THEY_CAME, named=False
        )
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
        if isinstance(picture.figure, Intervals) and not drawn.is_empty():
            box = (left, BODY_TOP + 0.4, width - 0.2, bottom - BODY_TOP - 0.45)
            short = replace(picture.figure, frame=drawn, axis="share adverse")
            draw(slide, short, title=f"{picture.title}, in the talk", box=box)
    deck.finish(slide)


def _both_ways(deck: Deck) -> None:
    """Worse and better together, with what was expected."""
    section = deck.document.section("both_ways")
    if section.picture is not None:
        slide = deck.talk(section.finding, spoken([section.finding, *section.paragraphs], say("talk.both")))
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
    slide = deck.talk(say("talk.wrong"), spoken([f"{say('talk.wrong')}.", *document.limits]))
    lines: list[SlideLine] = []
    for text in document.limits:
        if sum(len(line.text) for line in lines) + len(text) <= 700:
            lines.append(SlideLine(text, NORMAL, bullet=True))
    add_text(slide, lines, left=LEFT, top=BODY_TOP, width=BODY_WIDTH, height=FOOT_TOP - 0.1 - BODY_TOP)
    deck.finish(slide)


def _change(deck: Deck) -> None:
    document = deck.document
    slide = deck.talk(say("talk.change"), spoken([f"{say('talk.change')}.", *document.steps]))
    lines = [SlideLine(text, LARGE, bullet=True) for text in document.steps]
    add_text(slide, lines, left=LEFT, top=BODY_TOP, width=BODY_WIDTH, height=FOOT_TOP - 0.1 - BODY_TOP)
    deck.finish(slide)


def bars_with_list(
    slide: Slide, picture: Picture, *, title: str, top: float, foot: str = "", named: bool = True
) -> None:
    """The shares that there are, and below them, in words, those that do not fit or are not shown, or their number."""
    rows = picture.figure.frame
    drawn = rows.filter(pl.col("value").is_not_null()).head(MOST_BARS)
    others = rows.join(drawn, on="position", how="anti").select("name", "counts").rows()
    left_out = f"Not drawn: {listed_below(others)}." if named else say("talk.not_drawn", n=len(others))
    text = " ".join([*([left_out] if others else []), *([foot] if foot else [])])
    bottom = quiet_line(slide, text) if text else FOOT_TOP - 0.1
    if drawn.is_empty():
        lines = [SlideLine("No share can be shown here.", LARGE)]
        add_text(slide, lines, left=LEFT, top=top, width=BODY_WIDTH, height=1)
        return
    box = (LEFT, top, BODY_WIDTH, min(bottom - top, 1.2 + 0.8 * drawn.height))
    draw(slide, replace(picture.figure, frame=drawn), title=title, box=box)


MOST_MEANS = 12  # bars of means on a slide, the mean over all practices among them

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
    parted(deck.presentation, {"The talk": n_talk, FOR_QUESTIONS: deck.number - n_talk})
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
    if picture is None or section.name == "case":  # slides are shown to a room: no single case
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
        lines += [SlideLine(f"{label}: {text}", SMALL)]
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
        for line in (SlideLine(f"Lost after “{stage.text}”", SMALL, bold=True, quiet=True), _first_reasons(lost.text))
    ]
    add_text(slide, reasons, left=LEFT + 7.6, top=top, width=BODY_WIDTH - 7.6, height=4.4)
    deck.finish(slide)


def _first_reasons(lost: str) -> SlideLine:
    """The first reasons, as many as there is room for; the notes have all of them."""
    first, *more = lost.split("; ")
    return SlideLine(f"{first}; {len(more)} more in the notes" if len(lost) > LONGEST_LIST // 4 else lost, SMALL)


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
