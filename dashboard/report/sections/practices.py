"""The sections on practices: each with its interval, each by its size, and how far faces moved in each."""

from __future__ import annotations

from collections.abc import Iterator

from dashboard.charts.funnel import funnel_figure
from dashboard.charts.intervals import AHEAD, POOLED, forest_figure, means_figure
from dashboard.report.document import (
    NO_ENTRY,
    DocumentTable,
    FlowEntry,
    Section,
    ShownDifference,
    TableColumn,
    interval_columns,
    interval_entries,
    mean,
    pictured,
    share,
    share_columns,
    words,
)
from dashboard.report.shown import Beside
from warehouse.pooled.result import Figure, MeanPool, PracticeLine, SharePool
from warehouse.words.numbers import between as range_words
from warehouse.words.pooled import (
    ORDER,
    funnel_sentence,
    hidden_sentence,
    mean_prediction_sentence,
    mean_sentence,
    mean_spread_sentence,
    note_text,
    overdispersion_sentence,
    pooled_sentence,
    prediction_sentence,
    spread_sentence,
)

IN_FOREST = (
    "Circle and bar: share as counted, with its 95% interval (Wilson). Upright stroke: the same share adjusted"
    " for small numbers (beta-binomial). Dotted: a hidden count, and what the share can be. Diamond: all together;"
    " dashed below it: where a new practice is to be expected."
)
IN_FUNNEL = (
    "Lines: limits within which chance alone would keep 95% (unbroken) and 99.8% (dashed) of practices with the same"
    " share. Shaded: the 95% limits when practices may differ as much as these do. A practice whose count is hidden"
    " is not drawn. Outside is a reason to ask, and no verdict."
)
IN_MEANS = (
    "Circle and bar: mean change of the cases counted, with its 95% interval (Student's t). Diamond: the mean over"
    " practices (random effects, REML with Hartung-Knapp); dashed below it: a new practice. Right is worse."
)


def practice_sections(found: Beside) -> Iterator[Section]:
    """One section a picture."""
    yield _forest(found.shares)
    if any(line.position for line in found.shares.lines) and found.shares.target is not None:
        yield _funnel(found.shares)
    if found.means is not None:
        yield _means(found.means)


def _forest(pool: SharePool) -> Section:
    return pictured(
        "practices",
        "Practices beside each other",
        forest_figure(pool),
        caption=f"{IN_FOREST} {ORDER}",
        paragraphs=(pooled_sentence(pool), prediction_sentence(pool), spread_sentence(pool), hidden_sentence(pool)),
        tables=(practices_table(pool), pooled_table(pool)),
        remarks=tuple(map(note_text, pool.notes)),
    )


def _funnel(pool: SharePool) -> Section:
    return pictured(
        "practice_sizes",
        "Practices by their size",
        funnel_figure(pool),
        caption=IN_FUNNEL,
        paragraphs=(funnel_sentence(pool), overdispersion_sentence(pool)),
        tables=(places_table(pool),),
    )


def _means(pool: MeanPool) -> Section:
    name, title = "practice_means", "How far faces moved, practice by practice"
    said = (mean_sentence(pool), mean_prediction_sentence(pool), mean_spread_sentence(pool))
    if pool.refused:
        return Section(
            name=name,
            title=title,
            paragraphs=tuple(one for one in said if one),
            remarks=tuple(map(note_text, pool.notes)),
        )
    return pictured(
        name,
        title,
        means_figure(pool),
        caption=IN_MEANS,
        paragraphs=(f"{pool.about}.", *said),
        tables=(means_table(pool),),
        remarks=tuple(map(note_text, pool.notes)),
    )


def _level(pool: SharePool | MeanPool) -> float:
    return pool.figures[0].level if pool.figures else 0.95


def practices_table(pool: SharePool) -> DocumentTable:
    """One row a practice, in order of size; then all together."""
    columns = (
        TableColumn("practice", "practice"),
        TableColumn("counted", "counted", "count"),
        TableColumn("adverse", "adverse", "count"),
        *share_columns(_level(pool)),
        TableColumn("drawn_pct", "drawn to the others", "percent"),
        *interval_columns(_level(pool), "percent", prefix="drawn_", suffix="_pct"),
        TableColumn("weight_pct", "weight in the mean", "percent"),
    )
    rows = [
        (words(one.label), _count(one.counted), _count(one.adverse), *_shares(one), *_drawn(one), share(one.weight))
        for one in pool.lines
    ]
    if pool.figures:
        n = sum(line.n for line in pool.lines)
        counted = FlowEntry(f"{n:,}", n)
        nothing = (NO_ENTRY,) * 5
        rows.append((words(POOLED), counted, NO_ENTRY, *_figure(pool.figures[0]), *nothing))
    return DocumentTable(
        name="practices", caption="Practices in order of size; not a ranking", columns=columns, rows=tuple(rows)
    )


def _count(shown: str) -> FlowEntry:
    """A count as it is shown, or the words that stand for it."""
    plain = shown.replace(",", "")
    return FlowEntry(shown, int(plain)) if plain.isdecimal() else FlowEntry(shown)


def _shares(line: PracticeLine) -> tuple[FlowEntry, ...]:
    if line.share is None:
        return (FlowEntry(f"hidden, {range_words(line.low, line.high)}"), NO_ENTRY, NO_ENTRY, NO_ENTRY)
    return (share(line.share), *interval_entries(share(line.low), share(line.high)))


def _drawn(line: PracticeLine) -> tuple[FlowEntry, ...]:
    if line.pooled_share is None or line.pooled_low is None or line.pooled_high is None:
        return (NO_ENTRY,) * 4
    return (share(line.pooled_share), *interval_entries(share(line.pooled_low), share(line.pooled_high)))


def _figure(found: Figure) -> tuple[FlowEntry, ...]:
    if found.value is None or found.low is None or found.high is None:
        return (words("none"), NO_ENTRY, NO_ENTRY, NO_ENTRY)
    return (share(found.value), *interval_entries(share(found.low), share(found.high)))


def pooled_table(pool: SharePool) -> DocumentTable:
    """The share over all practices by several methods, and what is to be expected of a further practice."""
    columns = (TableColumn("method", "share over practices, by"), *share_columns(_level(pool)))
    rows = [(words(one.name), *_figure(one)) for one in pool.figures]
    if pool.prediction_low is not None and pool.prediction_high is not None:
        further = interval_entries(share(pool.prediction_low), share(pool.prediction_high))
        rows.append((words(f"{AHEAD} (prediction interval)"), NO_ENTRY, *further))
    caption = "Over all practices; the first is the one quoted"
    return DocumentTable(name="practices_pooled", caption=caption, columns=columns, rows=tuple(rows))


def places_table(pool: SharePool) -> DocumentTable:
    """Where each practice lies among the limits."""
    columns = (
        TableColumn("practice", "practice"),
        TableColumn("counted", "counted", "count"),
        TableColumn("share_pct", "share", "percent"),
        TableColumn("for_chance_alone", "for chance alone"),
        TableColumn("allowing_for_spread", "allowing for spread"),
    )
    rows = tuple(
        (words(line.label), _count(line.counted), share(line.share), words(line.position), words(line.position_spread))
        for line in pool.lines
        if line.position
    )
    caption = f"Held against {share(pool.target).text}: where each practice lies"
    return DocumentTable(name="practices_by_size", caption=caption, columns=columns, rows=rows)


def means_table(pool: MeanPool) -> DocumentTable:
    """One row a practice, then all together and a further one."""
    columns = (
        TableColumn("practice", "practice"),
        TableColumn("cases", "cases", "count"),
        TableColumn("mean_change", f"mean change, {pool.unit}", "mean"),
        *interval_columns(_level(pool), "mean"),
    )
    rows = [
        (words(row.label), _cases_of(pool, place), row.value, *interval_entries(row.low, row.high))
        for place, row in enumerate(mean_rows(pool))
    ]
    if pool.prediction_low is not None and pool.prediction_high is not None:
        further = interval_entries(mean(pool.prediction_low), mean(pool.prediction_high))
        rows.append((words(f"{AHEAD} (prediction interval)"), NO_ENTRY, NO_ENTRY, *further))
    caption = "Mean change by practice, in order of size; not a ranking"
    return DocumentTable(name="practices_change", caption=caption, columns=columns, rows=tuple(rows))


def _cases_of(pool: MeanPool, place: int) -> FlowEntry:
    n = pool.lines[place].n if place < len(pool.lines) else sum(line.n for line in pool.lines)
    return FlowEntry(f"{n:,}", n)


def mean_rows(pool: MeanPool) -> tuple[ShownDifference, ...]:
    """The mean changes of the practices; the last is the mean over all of them."""
    rows = [
        ShownDifference(one.label, mean(one.mean), mean(one.low), mean(one.high), is_main=False) for one in pool.lines
    ]
    if pool.figures:
        first = pool.figures[0]
        ends = (mean(first.low), mean(first.high))
        rows.append(ShownDifference(POOLED, mean(first.value), *ends, is_main=False))
    return tuple(rows)
