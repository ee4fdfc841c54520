"""Findings as tables: every number formatted once, for pages and for sheets."""

from collections.abc import Iterable, Iterator
from dataclasses import replace

from dashboard.charts.balance import variable_name
from dashboard.report.adjusted import AdjustedShown
from dashboard.report.document import (
    NO_ENTRY,
    NONE_COUNTED,
    NOT_SHOWN,
    Bar,
    DocumentTable,
    FlowEntry,
    ShownDifference,
    StageBar,
    change,
    count,
    ends,
    interval_entries,
    points,
    ratio,
    share,
    span,
    tabled,
    words,
)
from dashboard.report.shown import Comparison, Findings
from warehouse.cases.case_dots import MeanCourse
from warehouse.cases.flow import StageCount
from warehouse.outcomes.definition import FAMILIES, Definition
from warehouse.questions.shares import GroupRow
from warehouse.results import Estimate
from warehouse.words.numbers import cases, level_name
from warehouse.words.sentences import say


def rate_entries(group: GroupRow) -> tuple[FlowEntry, ...]:
    """Counted, adverse, share, interval in one, low, high."""
    low, high = ends(group.rate.interval)
    absent = NONE_COUNTED if group.counted.value == 0 else NOT_SHOWN
    return (
        count(group.counted),
        count(group.adverse),
        share(group.rate.value, absent=absent),
        *interval_entries(low, high),
    )


def bounds_entries(group: GroupRow) -> tuple[FlowEntry, ...]:
    """Missing, bounds in one, if none, if all."""
    none, every = share(group.if_none.value), share(group.if_all.value)
    together = words("none missing") if group.unknown == 0 else span(none, every)
    return count(group.missing), together, none, every


def comparison_table(comparison: Comparison, found: Findings) -> DocumentTable:
    """Groups side by side. Started, finished and bounds are given where they may be shown."""
    whole = all(group.started.value is not None for group in comparison.groups) and bool(comparison.groups)
    rows = tuple(
        (
            words(group.label),
            *((count(group.started), count(group.finished)) if whole else ()),
            *rate_entries(group),
            *(bounds_entries(group) if whole else ()),
        )
        for group in comparison.groups
    )
    title = comparison.by.title
    caption = f"{title}: {found.definition.name}; {_method(found)}; crude"
    parts = "group started counted adverse share bounds" if whole else "group counted adverse share"
    return tabled(comparison.by.name, caption, rows, parts, level=found.level)


def beside_table(name: str, caption: str, rows: Iterable[tuple[str, GroupRow]], *, level: float) -> DocumentTable:
    """What stands beside each share: the other way and the net, the share untreated, and without reading error."""
    listed = tuple((words(label), count(group.favourable), *_beside_entries(group)) for label, group in rows)
    return tabled(f"{name}_beside", f"{caption}: beside the shares", listed, "group beside", level=level)


def _beside_entries(group: GroupRow) -> Iterator[FlowEntry]:
    expected, corrected = group.beside.expected, group.beside.corrected
    untreated, without_error = (one.share if one else None for one in (expected, corrected))
    for one in (group.share_favourable, group.net, untreated, without_error):
        value = one.value if one else None
        yield points(value) if one is group.net and value is not None else share(value, absent=NO_ENTRY)
        yield from interval_entries(*ends(one.interval if one else None, of="points" if one is group.net else "share"))


def adjusted_table(comparison: Comparison, held: AdjustedShown) -> DocumentTable:
    """The difference and the ratio of the two groups by every method, on the same cases."""
    rows = (
        (
            *(words(row.label), row.value, *interval_entries(row.low, row.high), ratio(found.ratio.value)),
            *interval_entries(*ends(found.ratio.interval, of="ratio")),
            words(found.population),
        )
        for found, row in zip(held.methods, differences(held), strict=True)
    )
    first, second = held.labels
    caption = f"{comparison.by.title}: {first} minus {second}, {which_cases(held)}"
    return tabled(f"{comparison.by.name}_adjusted", caption, rows, "adjusted", level=held.level)


def which_cases(held: AdjustedShown) -> str:
    """The cases that crude and adjusted differences are about."""
    if held.on_same_cases:
        return "crude and adjusted, on the same complete cases"
    return "crude on all cases counted, adjusted on the complete ones among them"


def differences(held: AdjustedShown) -> tuple[ShownDifference, ...]:
    """The difference by every method, in percentage points."""
    return tuple(
        ShownDifference(
            found.title,
            points(found.difference.value),
            *ends(found.difference.interval, of="points"),
            is_main=found.method == held.main,
        )
        for found in held.methods
    )


def complete_table(comparison: Comparison, held: AdjustedShown) -> DocumentTable:
    """The complete cases of the two groups."""
    rows = (
        (words(label), count(n), count(n_adverse))
        for label, n, n_adverse in zip(held.labels, held.counted, held.adverse, strict=True)
    )
    caption = f"{comparison.by.title}: complete cases of the two groups"
    return tabled(f"{comparison.by.name}_complete", caption, rows, "group complete adverse")


def strength_table(comparison: Comparison, held: AdjustedShown) -> DocumentTable:
    """Odds ratio, E-values, and how far apart the groups were before and after weighting."""
    odds = (ratio(held.odds_ratio.value), *interval_entries(*ends(held.odds_ratio.interval, of="ratio")))
    before, after = held.furthest
    listed = (
        ("E-value of the difference", held.e_value.estimate),
        ("E-value of the interval's nearer limit", held.e_value.limit),
        ("largest standardised difference at the start, as they came", before),
        ("largest standardised difference after weighting", after),
    )
    rows = (
        (words(f"odds ratio, {held.odds_ratio.method}"), *odds),
        *((words(name), ratio(value), NO_ENTRY, NO_ENTRY, NO_ENTRY) for name, value in listed),
    )
    caption = f"{comparison.by.title}: how strong, and how alike the groups were"
    return tabled(f"{comparison.by.name}_strength", caption, rows, "strength", level=held.level)


def balance_table(comparison: Comparison, held: AdjustedShown) -> DocumentTable:
    """How alike the two groups were at the start, variable by variable."""
    rows = (
        (
            words(variable_name(row.name)),
            ratio(row.before.standardised_difference),
            ratio(row.after.standardised_difference),
        )
        for row in held.balance
    )
    caption = f"{comparison.by.title}: differences at the start, in standard deviations"
    return tabled(f"{comparison.by.name}_balance", caption, rows, "balance")


def _method(found: Findings) -> str:
    methods = [found.overall, *(group for one in found.comparisons for group in one.groups)]
    named = next((group.rate.method for group in methods if group.rate.value is not None), "")
    return named or level_name(found.level)


def change_table(comparison: Comparison, found: Findings) -> DocumentTable | None:
    """Mean change by group; None where no group has one."""
    if found.change is None or not any(group.change for group in comparison.groups):
        return None
    rows = tuple((words(group.label), count(group.counted), *_mean_entries(group)) for group in comparison.groups)
    caption = f"{found.change.label} by {comparison.by.title.lower()}: plus is worse; Student's t interval; crude"
    name, unit = f"change_by_{comparison.by.name}", found.change.unit
    return tabled(name, caption, rows, "group counted change", level=found.level, unit=unit)


def _mean_entries(group: GroupRow) -> tuple[FlowEntry, ...]:
    if group.change is None:
        return NOT_SHOWN, NO_ENTRY, NO_ENTRY, NO_ENTRY
    return change(group.change.value), *interval_entries(*ends(group.change.interval, of="change"))


def stages_table(found: Findings) -> DocumentTable:
    """Cases at each stage, and why the others went no further."""
    rows = tuple((words(stage.title), count(stage.cases), words(losses(stage) or "–")) for stage in found.flow.stages)
    return tabled("stages", "Cases at each stage, and why the others went no further", rows, "stages")


def losses(stage: StageCount) -> str:
    """Why cases went no further than a stage, most frequent first, hidden counts last."""
    ordered = sorted(stage.losses, key=lambda loss: -(loss.cases.value or 0))
    return "; ".join(f"{loss.reason}: {loss.cases.shown}" for loss in ordered)


def losses_table(found: Findings) -> DocumentTable:
    """One row a reason."""
    rows = (
        (words(stage.title), words(loss.reason), count(loss.cases))
        for stage in found.flow.stages
        for loss in stage.losses
    )
    return tabled("losses", "Why cases went no further", rows, "losses", on_page=False)


def stage_bars(found: Findings) -> tuple[StageBar, ...]:
    """The stages as bars."""
    return tuple(StageBar(stage.title, count(stage.cases), _fewer(stage)) for stage in found.flow.stages)


def _fewer(stage: StageCount) -> str:
    if stage.fewer is None:
        return "how many went no further is not shown"
    return f"{stage.fewer:,} went no further" if stage.fewer else ""


def missing_table(found: Findings) -> DocumentTable:
    """The share as counted and at both ends of what the missing could do, and in the untreated."""
    rows = (
        (words(bar.label), FlowEntry(bar.counts), bar.share, *interval_entries(bar.low, bar.high))
        for bar in missing_bars(found)
    )
    return tabled("missing", "What the missing could do to the share", rows, "missing share", level=found.level)


def missing_bars(found: Findings) -> tuple[Bar, ...]:
    """The counted cases, both ends of what the missing could do, and the untreated."""
    group = found.overall
    bars = [_without_bounds(bar("counted cases", group))]
    if group.unknown and group.if_none.value is not None:
        bars += [
            _end("with the missing, none adverse", group.if_none),
            _end("with the missing, all adverse", group.if_all),
        ]
    if found.untreated is not None:
        bars.append(_without_bounds(bar("children observed without treatment", found.untreated)))
    return tuple(bars)


def both_ways_bars(found: Findings) -> tuple[Bar, ...]:
    """Worse, better, and worse among children nobody treated."""
    group = found.overall
    bars = [_without_bounds(bar(say("both.worse"), group))]
    if group.favourable is not None and group.share_favourable is not None:
        low, high = ends(group.share_favourable.interval)
        counts = f"{count(group.favourable).text} of {group.counted.shown}"
        value = share(group.share_favourable.value)
        bars.append(Bar(label=say("both.better"), counts=counts, share=value, low=low, high=high))
    for key in ("expected", "corrected"):
        beside = getattr(group.beside, key)
        if key == "expected" and found.untreated is not None:
            bars.append(_without_bounds(bar(say("both.untreated"), found.untreated)))
        elif beside is not None and beside.share.value is not None:
            label = say("both.untreated" if key == "expected" else "both.corrected")
            low, high = ends(beside.share.interval)
            bars.append(
                Bar(label=label, counts=say("both.worked_out"), share=share(beside.share.value), low=low, high=high)
            )
    return tuple(bars)


def both_ways_table(bars: tuple[Bar, ...], level: float) -> DocumentTable:
    """One row a share."""
    rows = tuple((words(one.label), words(one.counts), one.share, *interval_entries(one.low, one.high)) for one in bars)
    return tabled("both_ways", "Worse and better, by one threshold", rows, "both_ways share", level=level)


def course_table(course: MeanCourse, name: str) -> DocumentTable:
    """One row a set of cases."""
    rows = (
        (words(one.name), FlowEntry(f"{one.n:,}", one.n), *map(_one_decimal, (one.start, one.finish, one.expected)))
        for one in course.rows
    )
    return tabled(name, f"{course.label}: means", rows, "course", unit=course.unit)


def _one_decimal(value: float | None) -> FlowEntry:
    return NO_ENTRY if value is None else FlowEntry(f"{value:.1f}".removesuffix(".0"), float(f"{value:.1f}"))


def _end(label: str, estimate: Estimate) -> Bar:
    low, high = ends(estimate.interval)
    return Bar(label=label, counts=cases(estimate.n), share=share(estimate.value), low=low, high=high)


def _without_bounds(one: Bar) -> Bar:
    return replace(one, if_none=NO_ENTRY, if_all=NO_ENTRY)


def bar(label: str, group: GroupRow) -> Bar:
    """One group as a bar, with the bounds where they are given."""
    _, _, value, _, low, high = rate_entries(group)
    _, _, none, every = bounds_entries(group)
    return Bar(label=label, counts=_of(group), share=value, low=low, high=high, if_none=none, if_all=every)


def _of(group: GroupRow) -> str:
    """Adverse of counted, in words where one is hidden."""
    if group.counted.value is None:
        return "counts not shown"
    if group.adverse.value is None and group.adverse.state == "withheld":
        return f"share not shown, of {group.counted.value:,}"
    return f"{count(group.adverse).text} of {group.counted.value:,}"


def threshold_table(found: Findings) -> DocumentTable:
    """One row a threshold."""
    unit = f", {found.change.unit}" if found.change and found.change.unit else ""
    rows = (
        (
            FlowEntry(f"{point.threshold:g}", point.threshold),
            FlowEntry(f"{point.n_adverse:,}", point.n_adverse),
            share(point.rate.value),
            *interval_entries(*ends(point.rate.interval)),
        )
        for point in found.curve.points
    )
    caption = f"Cases at or beyond each threshold, of {cases(found.curve.n)} counted"
    return tabled("threshold", caption, rows, "threshold adverse share", level=found.level, unit=unit, on_page=False)


def definitions_table(
    name: str, caption: str, rows: tuple[tuple[Definition, GroupRow], ...], *, level: float, with_family: bool = False
) -> DocumentTable:
    """One row a definition."""
    listed = (
        (words(definition.name), words(_meaning(definition, with_family=with_family)), *rate_entries(group))
        for definition, group in rows
    )
    return tabled(name, caption, listed, "definitions counted adverse share", level=level)


def definition_bar(definition: Definition, group: GroupRow) -> Bar:
    """The share under a definition as a bar."""
    return _without_bounds(bar(f"{definition.id}: {definition.label}", group))


def _meaning(definition: Definition, *, with_family: bool) -> str:
    family = FAMILIES[definition.family]
    same = definition.label.casefold() == family.casefold()
    return f"{family}: {definition.label}" if with_family and not same else definition.label
