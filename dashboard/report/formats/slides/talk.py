"""The talk: eight slides in the order in which a room asks.

The answer; who was counted; how far faces moved; the comparisons, crude beside adjusted; what threshold and
missing cases do to the answer; measuring error and ordinary growth; the practices, or how complete the records are;
what the figures cannot tell. Without a comparison the fourth is left out.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from dashboard.report.document import Bars, Differences, PracticeShares, ShownDifference, StageBar, StageBars
from dashboard.report.formats.slides.deck import (
    BODY_WIDTH,
    FOOT_TOP,
    LARGE,
    LEFT,
    NORMAL,
    SMALL,
    SlideLine,
    add_text,
    place_shape,
    set_alt,
)
from dashboard.report.formats.slides.native_charts import difference_bars, share_bars, stage_bars, threshold_lines
from dashboard.report.formats.slides.native_pictures import change_columns, pair_label, paired_bars, size_points
from dashboard.report.formats.slides.slide_parts import (
    MOST_BARS,
    bars_with_list,
    listed_below,
    quiet_line,
    read_aloud,
    under,
)
from dashboard.report.sections.practices import practice_bars
from warehouse.plural import number_of
from warehouse.questions.spread import ChangePicture
from warehouse.questions.threshold import ThresholdCurve
from warehouse.words.pooled import ORDER

if TYPE_CHECKING:
    from pptx.slide import Slide

    from dashboard.report.document import Bar, Document, DocumentTable, Picture, Section
    from dashboard.report.formats.slides.native_pictures import Pair
    from dashboard.report.formats.slides.slide_parts import Deck
    from warehouse.pooled.result import SharePool

MESSAGES = (
    "the answer",
    "who was counted, and by which definition",
    "how far faces moved",
    "the comparisons, crude beside adjusted",
    "another threshold, and the missing",
    "measuring error and ordinary growth",
    "the practices beside each other, or how complete the records are",
    "what the figures cannot tell",
)

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
    picture = flow.picture
    if picture is not None and isinstance(picture.drawn, StageBars):
        box = (LEFT + 5.1, top, BODY_WIDTH - 5.1, FOOT_TOP - 0.1 - top)
        frame = stage_bars(slide, picture.drawn.bars, box=box, size=SMALL)
        set_alt(frame, title=f"{picture.title}, beside the definition", text=picture.alt)
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
    slide = deck.slide(title, [*section.paragraphs, *read_aloud(section.tables), picture.caption if picture else ""])
    top = under(slide, section.paragraphs[0])
    if picture is not None and isinstance(picture.drawn, ChangePicture):
        box = (LEFT, top, BODY_WIDTH, FOOT_TOP - 0.1 - top)
        where = f"{picture.drawn.label}, {picture.drawn.unit}; lower end of each bin, right is worse"
        frame = change_columns(slide, picture.drawn, box=box, size=SMALL, title=where)
        set_alt(frame, title=picture.title, text=picture.alt)
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
    unit = table.columns[keys.index("mean_change")].heading
    box = (LEFT, top, BODY_WIDTH, bottom - top)
    frame = difference_bars(slide, drawn, box=box, size=SMALL, title=f"{unit}; right of 0 is worse", fine=True)
    said = "; ".join(f"{row.label}: {row.value.text} ({row.low.text} to {row.high.text})" for row in drawn)
    set_alt(frame, title=table.caption, text=f"{table.caption}. {said}.")


def _compared(deck: Deck) -> None:
    """Every comparison of two groups: crude beside adjusted."""
    held = [
        (section, section.picture.drawn)
        for section in deck.document.sections
        if section.picture is not None and isinstance(section.picture.drawn, Differences)
    ]
    pairs = [_pair(deck.document, section, drawn) for section, drawn in held]
    pairs = [pair for pair in pairs if any(row is not None and row.value.number is not None for row in pair[1:])]
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
    standing = held[0][0].paragraphs[-2:]
    bottom = quiet_line(slide, " ".join(standing))
    box = (LEFT, top, BODY_WIDTH, bottom - top)
    frame = paired_bars(slide, pairs[:MOST_PAIRS], box=box, size=SMALL)
    said = "; ".join(pair_label(pair).replace("\n", ", ") for pair in pairs[:MOST_PAIRS])
    set_alt(frame, title="Crude beside adjusted", text=f"Differences in percentage points. {said}.")
    deck.finish(slide)


def _pair(document: Document, held: Section, drawn: Differences) -> Pair:
    """The two groups with their cases, the crude difference, and the one by the method decided on beforehand.

    What the groups are made of is said too, unless their own names are so long that they say it.
    """
    section = document.section(held.name.removesuffix("_adjusted"))
    table = section.tables[0]
    place = [column.key for column in table.columns].index("counted")
    counted = {row[0].text: row[place].text for row in table.rows}
    name = " less ".join(f"{label} ({counted[label]})" if label in counted else label for label in drawn.labels)
    crude = next((row for row in drawn.rows if row.label == "crude"), None)
    main = next((row for row in drawn.rows if row.is_main), None)
    titled = f"{section.title}: {name}"
    return titled if len(titled) <= LABEL_LENGTH else name, crude, main


def _crude_alone(deck: Deck) -> None:
    """The first comparison as it came, where no two groups can be compared with adjustment."""
    crude = [
        (section, section.picture)
        for section in deck.document.sections
        if section.picture is not None and section.picture.title.endswith(", crude")
    ]
    if not crude:
        return
    section, picture = crude[0]
    notes = [*section.paragraphs, *section.remarks, *read_aloud(section.tables), picture.caption]
    slide = deck.slide(f"{section.title}: as they came", notes)
    top = under(slide, "Crude: the groups were not alike at the start. An association, not an effect.")
    if isinstance(picture.drawn, Bars):
        bars_with_list(slide, (f"{picture.title}, in the talk", picture.alt), picture.drawn.bars, top=top)
    deck.finish(slide)


def _sensitive(deck: Deck) -> None:
    """The share against the threshold, and what the missing could do beside it."""
    document = deck.document
    section, missing = document.section("threshold"), document.section("missing")
    picture = section.picture
    notes = [*section.paragraphs, *read_aloud(section.tables), *missing.paragraphs, *read_aloud(missing.tables)]
    slide = deck.slide("Another threshold, or other fates of the missing", [*notes, picture.caption if picture else ""])
    top = under(slide, " ".join([*section.paragraphs, "There is no agreed threshold.", *missing.paragraphs]))
    width = BODY_WIDTH - 3.6
    if picture is not None and isinstance(picture.drawn, ThresholdCurve):
        box = (LEFT, top, width, FOOT_TOP - 0.1 - top)
        heading = section.tables[0].columns[0].heading
        frame = threshold_lines(slide, picture.drawn, box=box, size=SMALL, title=heading)
        set_alt(frame, title=picture.title, text=picture.alt)
    _ends(slide, missing, left=LEFT + width + 0.3 if picture is not None else LEFT, top=top)
    deck.finish(slide)


def _ends(slide: Slide, missing: Section, *, left: float, top: float) -> None:
    """The share as counted and at both ends of what the missing could do, in large figures."""
    bars = missing.picture.drawn.bars if missing.picture and isinstance(missing.picture.drawn, Bars) else ()
    lines: list[SlideLine] = []
    for bar in bars:
        if bar.share.number is not None and "without treatment" not in bar.label:
            lines += [SlideLine(bar.share.text, 32, bold=True), SlideLine(f"{bar.label}: {_of(bar)}", SMALL)]
    if lines:
        add_text(slide, lines, left=left, top=top, width=3.3, height=FOOT_TOP - 0.2 - top)


def _of(bar: Bar) -> str:
    return f"{bar.counts}; interval {bar.low.text} to {bar.high.text}"


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
    if picture is not None and isinstance(picture.drawn, Bars):
        foot = " ".join(others.remarks)
        bars_with_list(slide, (picture.title, picture.alt), picture.drawn.bars, top=top, foot=foot)
    deck.finish(slide)


def _practices(deck: Deck, section: Section) -> None:
    """The practices with their intervals and all of them together; by their size where they are many."""
    picture = section.picture
    notes = [*section.paragraphs, *section.remarks, *read_aloud(section.tables), picture.caption if picture else ""]
    slide = deck.slide("How practices compare", notes)
    top = under(slide, " ".join([section.paragraphs[0], *(text for text in section.paragraphs if "chance" in text)]))
    if picture is not None and isinstance(picture.drawn, PracticeShares):
        _practices_drawn(slide, picture, picture.drawn.pool, top)
    deck.finish(slide)


def _practices_drawn(slide: Slide, picture: Picture, pool: SharePool, top: float) -> None:
    bars = practice_bars(pool)
    drawn = [bar for bar in bars if bar.share.number is not None]
    bottom = quiet_line(slide, _not_drawn(bars))
    box = (LEFT, top, BODY_WIDTH, bottom - top)
    if len(drawn) > MOST_BARS:
        frame = size_points(slide, pool, box=box, size=SMALL)
    else:
        frame = share_bars(slide, drawn, box=box, size=18 if len(drawn) <= 6 else SMALL)
    set_alt(frame, title=picture.title, text=picture.alt)


def _not_drawn(bars: tuple[Bar, ...]) -> str:
    hidden = [(bar.label, bar.counts) for bar in bars if bar.share.number is None]
    return f"{ORDER} Not drawn: {listed_below(hidden)}." if hidden else ORDER


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
        bars = [StageBar(reason, n, "") for reason, n in drawn]
        frame = stage_bars(slide, bars, box=(LEFT, top, BODY_WIDTH, bottom - top), size=SMALL)
        said = "; ".join(f"{reason}: {n.text}" for reason, n in drawn)
        set_alt(frame, title=table.caption, text=f"{table.caption}. {said}.")
    deck.finish(slide)


def _limits(deck: Deck) -> None:
    document = deck.document
    slide = deck.slide("What these figures cannot tell", [*document.limits, *document.cautions, *document.methods])
    lines = [SlideLine(text, 18, bullet=True) for text in document.limits]
    lines.append(SlideLine(document.caution, SMALL, quiet=True))
    add_text(slide, lines, left=LEFT, top=1.3, width=BODY_WIDTH, height=FOOT_TOP - 1.4)
    deck.finish(slide)
