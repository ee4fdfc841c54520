"""Findings made into a document."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from importlib.metadata import version

from dashboard.charts.changes import changes_figure
from dashboard.charts.course import panels_figure, slopes_figure
from dashboard.charts.funnel import funnel_figure
from dashboard.charts.intervals import AHEAD, POOLED, forest_figure, means_figure
from dashboard.charts.threshold import threshold_figure
from dashboard.report import sentences
from dashboard.report.adjusted import AdjustedShown
from dashboard.report.document import (
    MOST_DRAWN,
    MOST_READ,
    NO_ENTRY,
    Bar,
    Document,
    DocumentTable,
    FlowEntry,
    Imprint,
    Picture,
    Section,
    ShownDifference,
    difference_told,
    interval_entries,
    mean,
    pictured,
    share,
    share_told,
    tabled,
    words,
)
from dashboard.report.document import share as share_entry
from dashboard.report.figures import bars_figure, case_figure, differences_figure, stages_figure
from dashboard.report.sections import tables
from dashboard.report.sections.methods import methods, references
from dashboard.report.shown import Beside, Change, Comparison, Findings
from dashboard.report.shown_for import ROUND_TO
from warehouse.cases.case_dots import MeanCourse
from warehouse.cases.case_page import CaseInFile
from warehouse.pooled.result import Figure, MeanPool, PracticeLine, SharePool
from warehouse.questions.shares import GroupRow
from warehouse.words.contrasts import count_in_file, spread_of, standing_sentence
from warehouse.words.numbers import between as range_words
from warehouse.words.numbers import level_name
from warehouse.words.pooled import (
    ORDER,
    WORSE_ALONE,
    funnel_sentence,
    hidden_sentence,
    mean_prediction_sentence,
    mean_sentence,
    note_text,
    overdispersion_sentence,
    pooled_sentence,
    prediction_sentence,
    spread_sentence,
)
from warehouse.words.sentences import caution_text, say
from warehouse.words.shares import (
    BESIDE_BY_GROUP,
    CAUTION,
    answer_sentence,
    benchmark_sentence,
    beside_sentences,
    both_ways_sentence,
    bounds_sentence,
    course_sentence,
    first_line,
    flow_sentence,
    other_way_sentence,
    steps,
)

IN_FOREST, IN_FUNNEL, IN_MEANS = say("pooled.in_forest"), say("pooled.in_funnel"), say("pooled.in_means")


def practice_sections(found: Beside) -> Iterator[Section]:
    """One section a picture."""
    yield _forest(found.shares)
    if any(line.position for line in found.shares.lines) and found.shares.target is not None:
        yield _funnel(found.shares)
    if found.means is not None:
        yield _means(found.means)
    if found.courses is not None:
        yield _panels(found.courses)


def _forest(pool: SharePool) -> Section:
    return pictured(
        "practices",
        "Practices beside each other",
        forest_figure(pool),
        caption=f"{IN_FOREST} {ORDER} {WORSE_ALONE}",
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
    said = (mean_sentence(pool), mean_prediction_sentence(pool), spread_sentence(pool))
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


def _panels(courses: MeanCourse) -> Section:
    name, title, caption = "practice_courses", say("course.panels_title"), say("course.panels")
    table = replace(tables.course_table(courses, name), on_page=False)
    return pictured(name, title, panels_figure(courses), caption=caption, tables=(table,))


def _level(pool: SharePool | MeanPool) -> float:
    return pool.figures[0].level if pool.figures else 0.95


def practices_table(pool: SharePool) -> DocumentTable:
    """One row a practice, in order of size; then all together."""
    rows = [
        (words(one.label), _count(one.counted), _count(one.adverse), *_shares(one), *_drawn(one), share(one.weight))
        for one in pool.lines
    ]
    if pool.figures:
        n = sum(line.n for line in pool.lines)
        counted = FlowEntry(f"{n:,}", n)
        nothing = (NO_ENTRY,) * 5
        rows.append((words(POOLED), counted, NO_ENTRY, *_figure(pool.figures[0]), *nothing))
    caption = "Practices in order of size; not a ranking"
    return tabled("practices", caption, rows, "practice counted adverse share drawn", level=_level(pool))


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
    """The share over all practices, and what is to be expected of a further practice."""
    rows = [(words(one.name), *_figure(one)) for one in pool.figures]
    if pool.prediction_low is not None and pool.prediction_high is not None:
        further = interval_entries(share(pool.prediction_low), share(pool.prediction_high))
        rows.append((words(f"{AHEAD} (prediction interval)"), NO_ENTRY, *further))
    caption = "Over all practices"
    return tabled("practices_pooled", caption, rows, "pooled share", level=_level(pool))


def places_table(pool: SharePool) -> DocumentTable:
    """Where each practice lies among the limits."""
    rows = (
        (words(line.label), _count(line.counted), share(line.share), words(line.position), words(line.position_spread))
        for line in pool.lines
        if line.position
    )
    caption = f"Held against {share(pool.target).text}: where each practice lies"
    return tabled("practices_by_size", caption, rows, "practice counted places")


def means_table(pool: MeanPool) -> DocumentTable:
    """One row a practice, then all together and a further one."""
    rows = [
        (words(row.label), _cases_of(pool, place), row.value, *interval_entries(row.low, row.high))
        for place, row in enumerate(mean_rows(pool))
    ]
    if pool.prediction_low is not None and pool.prediction_high is not None:
        further = interval_entries(mean(pool.prediction_low), mean(pool.prediction_high))
        rows.append((words(f"{AHEAD} (prediction interval)"), NO_ENTRY, NO_ENTRY, *further))
    caption = "Mean change by practice, in order of size; not a ranking"
    return tabled("practices_change", caption, rows, "practice means", level=_level(pool), unit=pool.unit)


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


TITLE = "Audit of vertical facial change"


def document(found: Findings, *, title: str | None = None, with_questions: bool = True) -> Document:
    """The report as a document; ``title`` replaces the usual one, ``with_questions`` is about slides."""
    return Document(
        title=title or TITLE,
        cases=f"{found.cases[:1].upper()}{found.cases[1:]}; {sentences.practices(found)}",
        made_for=sentences.made_for(found),
        stamp=stamp(found),
        answer=answer_sentence(found.overall),
        headline=tuple(_headline(found)),
        lead=tuple(_lead(found)),
        caution=CAUTION,
        sections=tuple(_sections(found)),
        limits=tuple(sentences.limits(found)),
        steps=tuple(text for text, _ in steps(found.overall, found.flow, found.definition)),
        cautions=tuple(sentences.cautions(found)),
        methods=methods(found),
        references=references(found),
        with_questions=with_questions,
    )


def stamp(found: Findings) -> Imprint:
    """What every part of the document carries."""
    return Imprint(
        definition=f"{found.definition.name}, {found.definition.label}",
        growth=found.growth_reference.partition(":")[0],
        build=found.build,
        published=found.published_at[:10],
        tool=f"menton {version('menton')}",
        made_for="for the practice itself" if found.policy.hides_nothing else "small counts hidden",
    )


def _headline(found: Findings) -> Iterator[tuple[str, str]]:
    group = found.overall
    counted, adverse, share, interval, *_ = tables.rate_entries(group)
    yield share.text, f"went adverse: {adverse.text} of {counted.text} cases; {level_name(found.level)} {interval.text}"
    better, net = group.share_favourable, group.net
    if better is not None and better.value is not None and better.interval is not None and net is not None:
        yield share_entry(better.value).text, say("first.headline", net=net.value, interval=net.interval, of=better.n)
    yield counted.text, f"cases could be counted, of {group.started.shown} started"
    missing, bounds, *_ = tables.bounds_entries(group)
    if missing.number:
        yield bounds.text, f"is what the share could be, had none or all of the {missing.text} missing gone adverse"


def _lead(found: Findings) -> Iterator[str]:
    if found.refused:
        yield f"Counts over all cases are not shown. {found.refused}"
    if found.overall.rate.value is not None:
        beside, benchmark = " ".join(beside_sentences(found.overall)), benchmark_sentence(found.overall)
        yield from (first_line(found.overall), beside, benchmark)  # the first is on slide one
    yield bounds_sentence(found.overall)
    yield flow_sentence(found.flow)
    if found.untreated is not None:
        yield f"Children observed without treatment, by the same definition: {answer_sentence(found.untreated)}"


def _sections(found: Findings) -> Iterator[Section]:
    yield _definition(found)
    yield _flow(found)
    yield _missing(found)
    yield _both_ways(found)
    yield _threshold(found)
    for comparison in found.comparisons:
        yield _comparison(comparison, found)
        if comparison.adjusted is not None:
            yield _held_alike(comparison, comparison.adjusted, found)
    if found.course is not None:
        yield _course(found.course)
    if found.change is not None:
        yield _change(found.change, found)
    if found.case is not None:
        yield _case(found.case)
    if found.beside is not None:
        yield from practice_sections(found.beside)
    yield _definitions(found)
    if found.secondary:
        yield _secondary(found)


def _definition(found: Findings) -> Section:
    meant = found.definition
    facts = (
        ("Definition", f"{meant.name}, {meant.label}"),
        ("A case is adverse if", meant.sentence),
        ("Shortest interval", f"{meant.minimum_months:g} months between the two records"),
        ("Where it comes from", meant.source),
        ("Ordinary growth", found.growth_reference),
    )
    return Section(name="definition", title="What counts as adverse", facts=facts, remarks=(sentences.NO_THRESHOLD,))


def _flow(found: Findings) -> Section:
    bars = tables.stage_bars(found)
    listed = "; ".join(f"{bar.title}: {bar.n.text}" + (f" (then {bar.fewer})" if bar.fewer else "") for bar in bars)
    return pictured(
        "flow",
        "From started to counted",
        stages_figure(bars, f"Bars from started to counted. {listed}."),
        caption="Cases that reached each stage; at the right, how many went no further.",
        paragraphs=(flow_sentence(found.flow),),
        tables=(tables.stages_table(found), tables.losses_table(found)),
    )


def _missing(found: Findings) -> Section:
    bars = tables.missing_bars(found)
    return pictured(
        "missing",
        "What the missing could do",
        bars_figure(bars, f"Share adverse with {level_name(found.level)}. {_read(bars)}"),
        caption="The two ends need no assumption about the missing; the truth lies somewhere between them.",
        paragraphs=(bounds_sentence(found.overall),),
        tables=(tables.missing_table(found),),
    )


def _threshold(found: Findings) -> Section:
    title = "How much the answer hangs on the threshold"
    cautions = " ".join(caution_text(caution) for caution in found.curve.cautions)
    if not found.curve.points:
        text = cautions if found.curve.part is None else "The share against the threshold is not shown."
        return Section(name="threshold", title=title, paragraphs=(text,))
    left_out = "" if found.policy.hides_nothing else " Thresholds between which few cases lie are left out."
    caption = (
        f"Share of the {found.curve.n:,} counted cases at or beyond each threshold, with"
        f" {level_name(found.level)}s.{left_out} {cautions}"
    )
    table = tables.threshold_table(found)
    figure = threshold_figure(found.curve, found.change.unit if found.change else "")
    return pictured("threshold", title, figure, caption=caption.strip(), tables=(table,))


def _comparison(comparison: Comparison, found: Findings) -> Section:
    by = comparison.by
    bars = tuple(tables.bar(group.label, group) for group in comparison.groups)
    dotted = any(bar.if_none.number is not None for bar in bars)
    said = f"{by.title}, crude. Share adverse with {level_name(found.level)}. {_read(bars[:MOST_DRAWN])}"
    return pictured(
        by.name,
        by.title,
        bars_figure(bars, said),
        picture_title=f"{by.title}, crude",
        caption=(
            f"Diamond: share adverse. Thick line: {level_name(found.level)}."
            + (" Dotted line: share if none, or all, of the missing went adverse." if dotted else "")
            + (f" The first {MOST_DRAWN} groups of the table." if len(comparison.groups) > MOST_DRAWN else "")
        ),
        paragraphs=(sentences.CRUDE, sentences.difference(comparison)),
        finding=spread_of(_largest(comparison.groups)),
        tables=(
            tables.comparison_table(comparison, found),
            *_beside(found, by.name, by.title, ((group.label, group) for group in comparison.groups)),
        ),
        remarks=(
            by.note,
            "" if found.policy.hides_nothing else BESIDE_BY_GROUP,
            f"This comparison is not shown. {comparison.refused}" if comparison.refused else "",
            f"{sentences.NOT_HELD_ALIKE} {comparison.not_adjusted}" if comparison.not_adjusted else "",
        ),
    )


def _largest(groups: Sequence[GroupRow]) -> list[GroupRow]:
    """The groups with a share that a room can read at once, the largest."""
    shown = [group for group in groups if group.rate.value is not None]
    return sorted(shown, key=lambda group: -(group.counted.value or 0))[:MOST_READ]


def _beside(found: Findings, name: str, caption: str, rows: Iterable[tuple[str, GroupRow]]) -> list[DocumentTable]:
    """What stands beside the shares, where small counts need not be hidden."""
    return [tables.beside_table(name, caption, rows, level=found.level)] if found.policy.hides_nothing else []


def _held_alike(comparison: Comparison, held: AdjustedShown, found: Findings) -> Section:
    """Two of the groups adjusted for what was recorded, beside the crude difference on the same cases."""
    rows = tables.differences(held)
    title = f"{comparison.by.title}: adjusted"
    first, second = held.labels
    listed = "; ".join(f"{row.label}: {difference_told(row)}" for row in rows)
    made = (tables.complete_table, tables.adjusted_table, tables.strength_table)
    balance = (tables.balance_table(comparison, held),) if held.balance else ()
    said = f"{first} minus {second}, in percentage points with {level_name(held.level)}s. {listed}."
    return pictured(
        f"{comparison.by.name}_adjusted",
        title,
        differences_figure(rows, said),
        groups=held.labels,
        caption=(
            f"{first} minus {second}, {tables.which_cases(held)}; right of 0 is worse. Line:"
            f" {level_name(held.level)}. The star marks the method decided on beforehand."
        ),
        paragraphs=(*held.said, standing_sentence(held.standing), _comparisons_made(found)),
        finding=_pair_title(held),
        tables=(*(table(comparison, held) for table in made), *balance),
        remarks=held.remarks,
    )


def _comparisons_made(found: Findings) -> str:
    """The comparisons of this file, planned ones counted apart."""
    standings = [one.adjusted.standing for one in found.comparisons if one.adjusted is not None]
    n_planned = sum(one.kind == "planned" for one in standings)
    return count_in_file(len(standings), n_planned, is_whole=all(one.is_whole for one in standings))


def _pair_title(held: AdjustedShown) -> str:
    """The difference by the method decided on beforehand, as a title."""
    found = next((one.difference for one in held.methods if one.method == held.main), None)
    if found is None or found.value is None or found.interval is None:
        return ""
    first, second = held.labels
    said = {"first": first, "second": second, "difference": found.value, "interval": found.interval}
    return say("contrast.pair_title", level=held.level, **said)


def _both_ways(found: Findings) -> Section:
    """Worse and better beside each other, and what befell children nobody treated."""
    bars = tables.both_ways_bars(found)
    title = "Worse and better together"
    return pictured(
        "both_ways",
        title,
        replace(bars_figure(bars, f"Shares with {level_name(found.level)}. {_read(bars)}"), axis="share of cases"),
        caption=f"Diamond: share. Thick line: {level_name(found.level)}. Both are held to the same threshold.",
        paragraphs=(other_way_sentence(found.overall),),
        tables=(tables.both_ways_table(bars, found.level),),
        finding=both_ways_sentence(found.overall),
    )


def _course(course: MeanCourse) -> Section:
    """Means from start to finish."""
    figure = slopes_figure(course)
    caption = "Mean at the start and at the finish; dashed: had ordinary growth alone been at work."
    said = course_sentence(course)
    return pictured(
        "course",
        "From start to finish",
        figure,
        caption=caption,
        tables=(tables.course_table(course, "course"),),
        finding=said,
        paragraphs=(said,),
    )


def _case(case: CaseInFile) -> Section:
    """One case drawn, or why it is not."""
    title = say("case.title", case=case.case)
    if not case.drawing:
        return Section(name="case", title=title, paragraphs=(case.no_drawing,))
    return pictured("case", title, case_figure(case), caption=say("case.caption"))


def _read(bars: tuple[Bar, ...]) -> str:
    """The bars read aloud."""
    return "; ".join(f"{bar.label}: {share_told(bar)}" for bar in bars) + "."


def _change(change: Change, found: Findings) -> Section:
    title = "The changes behind the classes"
    made = (tables.change_table(comparison, found) for comparison in found.comparisons)
    section = Section(
        name="change",
        title=title,
        paragraphs=(f"{change.label}. {sentences.changes(change)}", change.error),
        tables=tuple(table for table in made if table is not None),
    )
    if change.picture is None:
        return section
    caption = "Every counted case. The bins meet at the threshold; the tinted band is measuring error."
    figure = changes_figure(change.picture)
    return replace(section, picture=Picture(name="change", title=title, caption=caption, figure=figure))


def _definitions(found: Findings) -> Section:
    rows = ((found.definition, found.overall), *found.family)
    caption = "The same cases under every definition of the family"
    bars = tuple(tables.definition_bar(definition, group) for definition, group in rows)
    return pictured(
        "definitions",
        "The same cases under other definitions",
        bars_figure(bars, f"Share adverse with {level_name(found.level)} under each definition. {_read(bars)}"),
        caption=f"Diamond: share adverse. Thick line: {level_name(found.level)}. The first is the one we use.",
        paragraphs=(sentences.other_definitions(found),),
        tables=(
            tables.definitions_table("definitions", caption, rows, level=found.level),
            *_beside(found, "definitions", caption, ((one.name, group) for one, group in rows)),
        ),
        remarks=_rounding(found, "other than the headline one"),
    )


def _secondary(found: Findings) -> Section:
    caption = "Other families of outcomes, looked at after the main one and not corrected for their number"
    table = tables.definitions_table("secondary", caption, found.secondary, level=found.level, with_family=True)
    beside = _beside(found, "secondary", caption, ((one.name, group) for one, group in found.secondary))
    return Section(
        name="secondary", title="Secondary outcomes", tables=(table, *beside), remarks=_rounding(found, "here")
    )


def _rounding(found: Findings, which: str) -> tuple[str, ...]:
    if found.policy.hides_nothing:
        return ()
    return (
        f"Counts {which} are rounded to the nearest {ROUND_TO}, and shares are worked out from the rounded counts:"
        " definitions could be subtracted from one another otherwise.",
    )
