"""The talk: eight slides in the order in which a room asks.

The answer; who was counted; how far faces moved; the comparisons, crude beside adjusted; what threshold and
missing cases do to the answer; measuring error and ordinary growth; the practices, or how complete the records are;
what the figures cannot tell. Without a comparison the fourth is left out.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import polars as pl
from pptx.slide import Slide

from dashboard.charts.changes import Histogram
from dashboard.charts.funnel import FunnelPlot
from dashboard.charts.intervals import COUNTED, DIFFERENCE, EXPECTED, Intervals
from dashboard.report.document import Document, DocumentTable, Picture, Section, ShownDifference, StageBar
from dashboard.report.figures import differences_figure, stages_figure
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
    place_shape,
    quiet_line,
    read_aloud,
    set_alt,
    under,
)
from dashboard.report.formats.slides.native import UNITS, bars, draw
from warehouse.plural import number_of
from warehouse.words.numbers import percent
from warehouse.words.pooled import ORDER

MOST_BARS = 10
"""Bars on a slide; what does not fit, or has no share to draw, is listed below the chart."""

LONGEST_TITLE = 60
"""Characters of a title set in the largest type."""

LONGEST_ANSWER = 130
"""Characters of an answer that fill two lines of large type."""

MOST_PAIRS = 4
"""Comparisons on one slide."""

GROUPS_AND_MEANS = 7
"""Groups with a mean on one slide."""

LABEL_LENGTH = 60
"""Characters of the name of a pair that leave room for its bars."""

AS_THEY_CAME = "Crude: the groups were not alike at the start. An association, not an effect."
CRUDE, ALIKE = "crude: as they came", "adjusted"

Row = Mapping[str, Any]
Pair = tuple[str, Row | None, Row | None]
"""Whose difference it is, as they came, and adjusted for what was recorded."""


def add_talk(deck: Deck) -> None:
    """The slides."""
    _answer(deck)
    _counted(deck)
    _moved(deck)
    _compared(deck)
    _sensitive(deck)
    _error_and_growth(deck)
    if deck.document.has("practices"):
        _practices(deck, deck.document.section("practices"))
    else:
        _complete(deck)
    _limits(deck)


def _answer(deck: Deck) -> None:
    document = deck.document
    notes = [document.answer, *document.lead, document.cases]
    slide = deck.slide(document.title, notes, size=36 if len(document.title) <= LONGEST_TITLE else LARGE)
    place_shape(slide.shapes.title, LEFT, 0.45, BODY_WIDTH, 0.9)
    size = LARGE if len(document.answer) <= LONGEST_ANSWER else NORMAL
    add_text(slide, [SlideLine(document.answer, size, bold=True)], left=LEFT, top=1.4, width=BODY_WIDTH, height=0.95)
    width = BODY_WIDTH / len(document.headline)
    big = 54 if all(len(figure) < 8 for figure, _ in document.headline) else 36
    for place, (figure, meaning) in enumerate(document.headline):
        lines = [SlideLine(figure, big, bold=True), SlideLine(meaning, NORMAL)]
        add_text(slide, lines, left=LEFT + place * width, top=2.45, width=width - 0.3, height=2.1)
    lines = [SlideLine(text, 18) for text in dict.fromkeys((document.lead[0], document.lead[-1]))]
    lines.append(SlideLine(f"{document.cases}. Data published {document.stamp.published}.", SMALL, quiet=True))
    add_text(slide, lines, left=LEFT, top=4.7, width=BODY_WIDTH, height=FOOT_TOP - 4.8)
    deck.finish(slide)


def _counted(deck: Deck) -> None:
    """The definition beside the stages from started to counted."""
    definition, flow = deck.document.section("definition"), deck.document.section("flow")
    facts = [f"{label}: {text}" for label, text in definition.facts]
    slide = deck.slide(
        "Who was counted, and what counts as adverse", [*facts, *flow.paragraphs, *read_aloud(flow.tables)]
    )
    top = under(slide, flow.paragraphs[0])
    lines = []
    for label, text in definition.facts[:3]:
        lines += [SlideLine(label, SMALL, quiet=True, bold=True), SlideLine(text, 18)]
    add_text(slide, lines, left=LEFT, top=top, width=4.9, height=FOOT_TOP - 0.1 - top)
    if flow.picture is not None:
        box = (LEFT + 5.1, top, BODY_WIDTH - 5.1, FOOT_TOP - 0.1 - top)
        draw(slide, flow.picture.figure, title=f"{flow.picture.title}, beside the definition", box=box)
    deck.finish(slide)


def _moved(deck: Deck) -> None:
    """The changes themselves: every case in bins where that may be shown, else the mean of each group."""
    document, title = deck.document, "How far faces moved"
    if not document.has("change"):
        slide = deck.slide(title, ["The changes behind the classes are not shown."])
        add_text(slide, [SlideLine(_no_change(document), LARGE)], left=LEFT, top=1.5, width=BODY_WIDTH, height=2)
        deck.finish(slide)
        return
    section = document.section("change")
    picture = section.picture
    slide, top = deck.about(section, section.paragraphs[0], title)
    if picture is not None and isinstance(picture.figure, Histogram):
        draw(slide, picture.figure, title=picture.title, box=(LEFT, top, BODY_WIDTH, FOOT_TOP - 0.1 - top))
    elif section.tables:
        _group_means(slide, section.tables[0], top)
    deck.finish(slide)


def _no_change(document: Document) -> str:
    if document.has("threshold") and document.section("threshold").paragraphs:
        return document.section("threshold").paragraphs[0]
    return "Too few cases are counted for a mean change to be shown."


def _group_means(slide: Slide, table: DocumentTable, top: float) -> None:
    """The mean change of each group of the first comparison that has one."""
    keys = [column.key for column in table.columns]
    found = [dict(zip(keys, row, strict=True)) for row in table.rows]
    rows = [
        ShownDifference(
            f"{one['group'].text}, {one['counted'].text} cases", one["mean_change"], one["low"], one["high"], False
        )
        for one in found
        if one["mean_change"].number is not None
    ]
    drawn = rows[:GROUPS_AND_MEANS]
    others = len(found) - len(drawn)
    text = f"{table.caption}. Groups as they came: an association, not an effect."
    if others:
        text += f" {number_of(others, 'group is', 'groups are')} not drawn: see the notes."
    bottom = quiet_line(slide, text)
    axis = f"{table.columns[keys.index('mean_change')].heading}; right of 0 is worse"
    said = "; ".join(f"{row.label}: {row.value.text} ({row.low.text} to {row.high.text})" for row in drawn)
    figure = differences_figure(drawn, f"{table.caption}. {said}.", axis=axis, unit="mean")
    draw(slide, figure, title=table.caption, box=(LEFT, top, BODY_WIDTH, bottom - top))


def _compared(deck: Deck) -> None:
    """Every comparison of two groups: crude beside adjusted."""
    held = [(one, one.picture) for one in deck.document.sections if one.picture is not None and one.picture.groups]
    pairs = [_pair(deck.document, section, picture) for section, picture in held]
    pairs = [pair for pair in pairs if any(row is not None and row["value"] is not None for row in pair[1:])]
    pairs = pairs[:MOST_PAIRS]
    if not pairs:
        _crude_alone(deck)
        return
    notes = [text for section, _ in held for text in (section.title, *section.paragraphs, *read_aloud(section.tables))]
    slide = deck.slide("Do groups differ? Crude beside adjusted", notes)
    top = under(
        slide,
        "Crude: the groups as they came, not alike at the start. Adjusted: for what was recorded. Either"
        " is an association, not an effect. In brackets: cases counted.",
    )
    bottom = quiet_line(slide, " ".join(held[0][0].paragraphs[-2:]))
    labels = [_label(pair) for pair in pairs]
    sets = {CRUDE: [crude for _, crude, _ in pairs], ALIKE: [alike for _, _, alike in pairs]}
    frame = bars(slide, labels, sets, UNITS["points"], DIFFERENCE, box=(LEFT, top, BODY_WIDTH, bottom - top))
    said = "; ".join(label.replace("\n", ", ") for label in labels)
    set_alt(frame, title="Crude beside adjusted", text=f"Differences in percentage points. {said}.")
    deck.finish(slide)


def _pair(document: Document, held: Section, picture: Picture) -> Pair:
    """The two groups with their cases, the crude difference, and the one by the method decided on beforehand.

    What the groups are made of is said too, unless their own names are so long that they say it.
    """
    section = document.section(held.name.removesuffix("_adjusted"))
    table = section.tables[0]
    place = [column.key for column in table.columns].index("counted")
    counted = {row[0].text: row[place].text for row in table.rows}
    groups = picture.groups or ()
    name = " minus ".join(f"{label} ({counted[label]})" if label in counted else label for label in groups)
    rows = picture.figure.frame.rows(named=True)
    crude = next((row for row in rows if row["name"].removeprefix("★ ") == "crude"), None)
    main = next((row for row in rows if row["kind"] == COUNTED), None)
    titled = f"{section.title}: {name}"
    return titled if len(titled) <= LABEL_LENGTH else name, crude, main


def _label(pair: Pair) -> str:
    """Whose difference, and on the next line both with their intervals."""
    name, *both = pair
    said = [f"{which} {row['said']}" for which, row in zip(("crude", "adjusted"), both, strict=True) if row is not None]
    return f"{name}\n{'; '.join(said)}"


def _crude_alone(deck: Deck) -> None:
    """The first comparison as it came, where no two groups can be compared with adjustment."""
    held = [(one, one.picture) for one in deck.document.sections if one.picture is not None]
    crude = [(section, picture) for section, picture in held if picture.title.endswith(", crude")]
    if not crude:
        return
    section, picture = crude[0]
    slide, top = deck.about(section, AS_THEY_CAME, f"{section.title}: as they came")
    bars_with_list(slide, picture, title=f"{picture.title}, in the talk", top=top)
    deck.finish(slide)


def bars_with_list(slide: Slide, picture: Picture, *, title: str, top: float, foot: str = "") -> None:
    """The shares that there are, and below them, in words, those that do not fit or are not shown."""
    rows = picture.figure.frame
    drawn = rows.filter(pl.col("value").is_not_null()).head(MOST_BARS)
    others = rows.join(drawn, on="position", how="anti").select("name", "counts").rows()
    text = " ".join([*([f"Not drawn: {listed_below(others)}."] if others else []), *([foot] if foot else [])])
    lines = [SlideLine(text, SMALL, quiet=True)] if text else []
    low = 0.35 + 0.3 * (len(text) // 115) if text else 0.0
    bottom = FOOT_TOP - 0.1 - low
    if drawn.is_empty():
        lines = [SlideLine("No share can be shown here.", LARGE), *lines]
        bottom = top
    else:
        figure, box = replace(picture.figure, frame=drawn), (LEFT, top, BODY_WIDTH, bottom - top)
        draw(slide, figure, title=title, box=box, size=18 if drawn.height <= 6 else SMALL)
    if lines:
        add_text(slide, lines, left=LEFT, top=bottom, width=BODY_WIDTH, height=max(low, 0.4))


def _sensitive(deck: Deck) -> None:
    """The share against the threshold, and what the missing could do beside it."""
    document = deck.document
    section, missing = document.section("threshold"), document.section("missing")
    picture = section.picture
    notes = [*section.paragraphs, *read_aloud(section.tables), *missing.paragraphs, *read_aloud(missing.tables)]
    slide = deck.slide("Another threshold, or other fates of the missing", [*notes, picture.caption if picture else ""])
    top = under(slide, " ".join([*section.paragraphs, "There is no agreed threshold.", *missing.paragraphs]))
    width = BODY_WIDTH - 3.6
    if picture is not None:
        draw(slide, picture.figure, title=picture.title, box=(LEFT, top, width, FOOT_TOP - 0.1 - top))
    _ends(slide, missing, left=LEFT + width + 0.3 if picture is not None else LEFT, top=top)
    deck.finish(slide)


def _ends(slide: Slide, missing: Section, *, left: float, top: float) -> None:
    """The share as counted and at both ends of what the missing could do, in large figures."""
    lines: list[SlideLine] = []
    for row in missing.picture.figure.frame.rows(named=True) if missing.picture else ():
        if row["value"] is not None and "without treatment" not in row["name"]:
            of = f"{row['name']}: {row['counts']}; interval {percent(row['low'])} to {percent(row['high'])}"
            lines += [SlideLine(percent(row["value"]), 32, bold=True), SlideLine(of, SMALL)]
    if lines:
        add_text(slide, lines, left=left, top=top, width=3.3, height=FOOT_TOP - 0.2 - top)


def _error_and_growth(deck: Deck) -> None:
    """What is known of measuring error, what is allowed for growth, and the share had either been treated otherwise."""
    document = deck.document
    others = document.section("definitions")
    growth = dict(document.section("definition").facts)["Ordinary growth"]
    error = document.section("change").paragraphs[1:] if document.has("change") else ()
    said = [*error, f"Ordinary growth is allowed for by {growth}.", *others.paragraphs]
    slide = deck.slide("Measuring error and ordinary growth", [*said, *read_aloud(others.tables), *others.remarks])
    top = under(slide, " ".join(said))
    picture = others.picture
    if picture is not None:
        bars_with_list(slide, picture, title=picture.title, top=top, foot=" ".join(others.remarks))
    deck.finish(slide)


def _practices(deck: Deck, section: Section) -> None:
    """The practices with their intervals and all of them together; by their size where they are many."""
    picture = section.picture
    said = " ".join([section.paragraphs[0], *(text for text in section.paragraphs if "chance" in text)])
    slide, top = deck.about(section, said, "How practices compare")
    if picture is not None and isinstance(picture.figure, Intervals):
        rows = picture.figure.frame.filter(pl.col("kind") != EXPECTED)
        drawn = rows.filter(pl.col("value").is_not_null())
        hidden = rows.filter(pl.col("value").is_null()).select("name", "counts").rows()
        bottom = quiet_line(slide, f"{ORDER} Not drawn: {listed_below(hidden)}." if hidden else ORDER)
        box = (LEFT, top, BODY_WIDTH, bottom - top)
        sizes = [one.figure for one in deck.document.pictures if isinstance(one.figure, FunnelPlot)]
        if drawn.height > MOST_BARS and sizes:
            draw(slide, replace(sizes[0], alt=picture.alt), title=picture.title, box=box)
        else:
            figure = replace(picture.figure, frame=drawn)
            draw(slide, figure, title=picture.title, box=box, size=18 if drawn.height <= 6 else SMALL)
    deck.finish(slide)


def _complete(deck: Deck) -> None:
    """Why cases were not counted."""
    document = deck.document
    flow, missing = document.section("flow"), document.section("missing")
    table = next(one for one in flow.tables if one.name == "losses")
    slide = deck.slide("How complete the records are", [*flow.paragraphs, *missing.paragraphs, *read_aloud([table])])
    top = under(slide, " ".join(missing.paragraphs))
    reasons = [(reason.text, n) for _, reason, n in table.rows]
    drawn = [(reason, n) for reason, n in reasons if n.number is not None][:MOST_BARS]
    others = [(reason, n.text) for reason, n in reasons if (reason, n) not in drawn]
    text = "Why cases were not counted."
    bottom = quiet_line(slide, f"{text} Not drawn: {listed_below(others)}." if others else text)
    if drawn:
        said = "; ".join(f"{reason}: {n.text}" for reason, n in drawn)
        figure = stages_figure([StageBar(reason, n, "") for reason, n in drawn], f"{table.caption}. {said}.")
        draw(slide, figure, title=table.caption, box=(LEFT, top, BODY_WIDTH, bottom - top))
    deck.finish(slide)


def _limits(deck: Deck) -> None:
    document = deck.document
    slide = deck.slide("What these figures cannot tell", [*document.limits, *document.cautions, *document.methods])
    lines = [SlideLine(text, 18, bullet=True) for text in document.limits]
    lines.append(SlideLine(document.caution, SMALL, quiet=True))
    add_text(slide, lines, left=LEFT, top=1.3, width=BODY_WIDTH, height=FOOT_TOP - 1.4)
    deck.finish(slide)
