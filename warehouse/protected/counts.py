"""Counts made to leave: every count about the headline's cases goes through the disclosure engine, in one order.

What is published about the cases of one definition and selection:

1. one chain: started, each stage and each reason for going no further, counted, at or beyond each threshold, adverse;
2. for every grouping, counted and adverse in each group, and after it the complete cases of the two groups that are
   compared with what was recorded held alike.

The chain is protected first, the headline's counts given up last; reasons of one stage that are small are merged
before. Where it shows how many were counted and how many were adverse, each grouping is
protected against these two alone: two tables that have nothing in common but margins which are known exactly tell no
more together than each by itself (any two of the numbers they allow fit together, by the theorem on transport tables
with given margins). Where it hides one of them, every grouping is protected against all that came before.

Screens for those who see protected tables alone and documents made to leave both get their counts here, so that what
one hides the other does not show.
"""

from __future__ import annotations

from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import polars as pl

from warehouse.cases.flow import Flow, Loss, StageCount
from warehouse.disclosure import HIDDEN, Count, Dimension, Layout, Policy, ProtectedTable, Release, Table, protect
from warehouse.marts.reader import Reader
from warehouse.marts.steps import STAGES, STEPS
from warehouse.questions.beside import NOTHING_BESIDE, Counterparts
from warehouse.questions.complete import Complete
from warehouse.questions.shares import GroupRow, Rates, group_row, rates_by
from warehouse.questions.threshold import ThresholdCurve, counted_changes, threshold_curve
from warehouse.selection import Selection

REACHED = "reached"
COUNTED = "counted"
ADVERSE = "adverse"
NOT_ADVERSE = "not adverse"
FAVOURABLE = "moved as far the other way"
NOT_COUNTED = "not counted"
DUE = "outcome due"
NOT_DUE = STEPS["in_treatment"].reason
NO_REFERENCE = STEPS["no_reference"].reason

OTHER_REASONS = "other reasons after: {stage}"  # what several small reasons of one stage are shown as together

COMPLETE = "complete"
ALL_CASES = "all cases"
"""The name of the table of the chain."""
RESULT = "result"  # the variable of contributions: a case is adverse, not adverse, not known or not due


@dataclass(frozen=True, slots=True, kw_only=True)
class Counted:
    """Counts of one definition and selection, before anything is hidden."""

    overall: Rates  # Over all cases
    by: tuple[Rates, ...]  # One result a grouping
    threshold: ThresholdCurve  # The share against the threshold
    # One row a counted case: `value` (larger is worse) and `is_adverse`; no row without a single change
    values: pl.DataFrame
    # Grouping -> complete cases of the two groups that are compared in it
    complete: Mapping[str, Complete] = field(default_factory=lambda: MappingProxyType({}))

    @classmethod
    def read(
        cls,
        reader: Reader,
        groupings: Sequence[str],
        *,
        definition: str | None = None,
        selection: Selection | None = None,
        beside: Container[str | None] | None = None,
    ) -> Counted:
        """The counts over all and by each grouping, without those of complete cases; ``beside`` as in ``rates_by``."""
        ways = (None, *groupings)
        overall, *by = rates_by(reader, ways, definition=definition, selection=selection, beside=beside)
        values = counted_changes(reader, overall.definition, overall.selection)
        curve = threshold_curve(reader, definition=definition, selection=selection, changes=values)
        return cls(overall=overall, by=tuple(by), threshold=curve, values=values)


@dataclass(frozen=True, slots=True)
class FlowCounts:
    """How far each case came, in the finest classes that the document tells apart."""

    atoms: Mapping[str, int]  # Class -> cases
    members: Mapping[str, tuple[str, ...]]  # What is printed -> the classes it holds; what no case reached is left out
    has_thresholds: bool  # Whether the cases beyond each threshold are told apart
    has_other_way: bool  # Whether those that moved as far the other way are

    @property
    def both(self) -> dict[str, tuple[str, ...]]:
        """Counted and adverse alone."""
        return {name: self.members[name] for name in (COUNTED, ADVERSE) if name in self.members}


class Published:
    """The tables about the cases, protected one after the other, as they may be shown.

    ``before``: Counts that nothing else is about, as they left before; ``alone``: those shown now.

    ``chain``: The finest classes told apart; ``frame``: the table of it. ``tables``: One a grouping; None where nobody
    was counted. ``complete``: Grouping -> complete cases of the two groups compared. ``releases``: All, in order.
    """

    def __init__(
        self,
        counted: Counted,
        policy: Policy,
        scope: Mapping[str, tuple[str, ...]],
        earlier: Sequence[Release],
        before: Mapping[str, tuple[int, ...]] = MappingProxyType({}),
    ) -> None:
        self.counted, self.policy, self.before = counted, policy, before
        self.alone: dict[str, int] = {}
        self.chain, earlier = _of_one_meaning(_small_merged(chain_of(counted), counted, policy), earlier)
        layout = Layout((_reached(self.chain.members),), MappingProxyType(dict(scope)))
        counts: dict[tuple[str, ...], int] = {(atom,): n for atom, n in self.chain.atoms.items()}
        self.frame = protect(
            Table(ALL_CASES, layout, counts),
            policy,
            earlier=_of_frame(earlier),
            last=frozenset((name,) for name in self.chain.both),
        )
        self.releases: list[Release] = [] if self.frame.refused else [self.frame.release]
        self.tables: list[ProtectedTable | None] = []
        self.complete: dict[str, ProtectedTable] = {}
        for result in counted.by:
            if not self.chain.both:  # nobody was counted: every group has 0, as the frame says already
                self.tables.append(None)
                continue
            known = self._known(earlier, result)
            table = protect(_group_table(result, self.chain, scope), policy, earlier=known)
            self.tables.append(table)
            self.releases += [] if table.refused else [table.release]
            name = result.by.name if result.by else ""
            if name in counted.complete and not table.refused:
                asked = _complete_table(counted.complete[name], self.chain, table)
                self.complete[name] = protect(asked, policy, earlier=(*known, table.release))
                self.releases += [] if self.complete[name].refused else [self.complete[name].release]

    def overall(self) -> GroupRow:
        """Counts and share over all cases."""
        (row,) = self.counted.overall.groups
        if self.policy.hides_nothing:
            return row
        counted, due = self.count(COUNTED), self.count(DUE)
        is_known = counted.value is not None and due.value is not None
        return group_row(
            row.group,
            row.label,
            started=self.count(STAGES["started"]),
            finished=self.count(STAGES["finished"]),
            counted=counted,
            adverse=self.count(ADVERSE),
            missing=Count.of(due.n - counted.n) if is_known else HIDDEN,
            turned_away=self.flow().turned_away,
            favourable=self.count(FAVOURABLE) if self.chain.has_other_way else withheld(row.favourable),
            beside=_leaving(row.beside, counted, self.policy),
            method=self.counted.overall.method,
            level=self.counted.overall.level,
        )

    def flow(self) -> Flow:
        """From started to counted. Cases turned away or picked out are other cases, and each count is by itself."""
        flow = self.counted.overall.flow
        cells = [self.count(stage.title) for stage in flow.stages]
        stages = []
        for stage, here, after in zip(flow.stages, cells, [*cells[1:], cells[-1]], strict=True):
            fewer = None if here.value is None or after.value is None else here.value - after.value
            merged = _small_reasons(stage, self.policy)
            named = [(loss.reason, loss.is_due) for loss in stage.losses if loss.reason not in merged]
            named += [(OTHER_REASONS.format(stage=stage.title), True)] if merged else []
            losses = tuple(Loss(reason, self.count(reason), is_due) for reason, is_due in named)
            stages.append(StageCount(stage.name, stage.title, here, losses, fewer))
        return Flow(
            tuple(stages),
            turned_away=self.kept("turned away", alone(flow.turned_away.n, self.policy)),
            selected=self.kept("picked out", alone(flow.selected.n, self.policy)),
            not_due=self.count(NOT_DUE),
            set_apart=self.kept("set apart", alone(flow.set_apart.n, self.policy)),
            no_reference=self.count(NO_REFERENCE),
        )

    def rows(self, place: int) -> tuple[GroupRow, ...]:
        """The groups of the grouping in this place. Where counts are hidden, counted and adverse alone are given."""
        result = self.counted.by[place]
        if self.policy.hides_nothing:
            return result.groups
        return tuple(two_counts(row, *self.pair(place, row.group), result) for row in result.groups)

    def pair(self, place: int, group: str) -> tuple[Count, Count]:
        """Counted and adverse of a group of the grouping in this place."""
        return _pair(self.tables[place], (group,))

    def complete_pair(self, name: str, group: str) -> tuple[Count, Count]:
        """Complete cases of a group, and those of them that went adverse."""
        table = self.complete.get(name)
        return (HIDDEN, HIDDEN) if table is None else _pair(table, (group,), (COMPLETE,))

    def count(self, name: str) -> Count:
        """A count of the chain as it may be shown; one that no case could be in is 0."""
        return _as_on_pages(self.frame.cell(name)) if name in self.chain.members else Count.of(0)

    def kept(self, name: str, count: Count) -> Count:
        """A count that nothing else is about, hidden where it differs by few from one that left before."""
        if count.value is None or any(self.policy.is_small(abs(count.value - n)) for n in self.before.get(name, ())):
            return HIDDEN if count.value is not None else count
        self.alone[name] = count.value
        return count

    def _known(self, earlier: Sequence[Release], result: Rates) -> tuple[Release, ...]:
        """What a table by group is checked against: see the head of this module."""
        if any(self.frame.cell(name).state != "shown" for name in self.chain.both):
            return (*earlier, *self.releases)
        layout = Layout((_reached(self.chain.both, complete=False),), self.frame.release.layout.scope)
        cells: dict[tuple[str, ...], Count] = {(name,): self.frame.cell(name) for name in self.chain.both}
        margins = replace(self.frame.release, layout=layout, cells=cells, guards=())
        names = {} if result.by is None else {result.by.name, f"{result.by.name}, {COMPLETE}"}
        alike = [release for release in earlier if release.name in names]
        return (*_coarse(earlier), *alike, margins)


def _small_merged(chain: FlowCounts, counted: Counted, policy: Policy) -> FlowCounts:
    """The chain with the reasons of a stage that are small printed as one, where there are several."""
    members = dict(chain.members)
    for stage in counted.overall.flow.stages:
        small = _small_reasons(stage, policy)
        if small:
            members = {name: atoms for name, atoms in members.items() if name not in small}
            members[OTHER_REASONS.format(stage=stage.title)] = small
    return replace(chain, members=members)


def _small_reasons(stage: StageCount, policy: Policy) -> tuple[str, ...]:
    """The reasons that are shown together; none where fewer than two are small."""
    small = [loss.reason for loss in stage.losses if loss.is_due and policy.is_small(loss.cases.n)]
    return tuple(small) if len(small) > 1 else ()


def _of_one_meaning(chain: FlowCounts, earlier: Sequence[Release]) -> tuple[FlowCounts, list[Release]]:
    """The chain, and what left before told in its classes.

    What is printed under one name holds the same classes at all times, be some of them without a case at one of them.
    """
    frames = [release.layout.dimensions[0] for release in _of_frame(earlier)]
    meaning = {name: dict.fromkeys(atoms) for name, atoms in chain.members.items()}
    for name, atoms in ((name, own) for one in frames if one.name == REACHED for name, own in one.members.items()):
        if name in meaning and not name.startswith(OTHER_REASONS.format(stage="")):
            meaning[name] |= dict.fromkeys(atoms)
    members = {name: tuple(atoms) for name, atoms in meaning.items()}
    found = []
    for release in earlier:
        if any(one.name == RESULT for one in release.layout.dimensions):
            found.append(_with_classes(release, members))
            continue
        dimensions = (
            replace(one, members={name: members.get(name, own) for name, own in one.members.items()})
            if one.name == REACHED
            else one
            for one in release.layout.dimensions
        )
        found.append(replace(release, layout=replace(release.layout, dimensions=tuple(dimensions))))
    return replace(chain, members=members), found


def _with_classes(release: Release, members: Mapping[str, tuple[str, ...]]) -> Release:
    """A table by result, told in the classes of a chain."""
    adverse, counted, due, all_ = ({*members.get(name, ())} for name in (ADVERSE, COUNTED, DUE, STAGES["started"]))
    results = {ADVERSE: adverse, NOT_ADVERSE: counted - adverse, "not known": due - counted, "not due": all_ - due}
    return release.told_as(RESULT, REACHED, {name: tuple(sorted(atoms)) for name, atoms in results.items()})


def in_classes_of(release: Release, other: Release) -> Release:
    """A table in the classes of another, where that one tells how far cases came and this one their results alone."""
    reached = next((one.members for one in other.layout.dimensions if one.name == REACHED), None)
    by_result = any(one.name == RESULT for one in release.layout.dimensions)
    told = release if reached is None or not by_result else _with_classes(release, reached)
    return told if len(told.cells) == len(release.cells) else release


def _coarse(earlier: Sequence[Release]) -> list[Release]:
    """Of the document about all cases: its counted and adverse where it shows them, else its whole chain."""
    found = []
    for release in _of_frame(earlier):
        keys: list[tuple[str, ...]] = [(COUNTED,), (ADVERSE,)]
        both = {key: release.cells[key] for key in keys if key in release.cells}
        if any(cell.state != "shown" for cell in both.values()):
            found.append(release)
            continue
        members = release.layout.dimensions[0].members
        reached = _reached({name: members[name] for (name,) in both}, complete=False)
        found.append(replace(release, layout=Layout((reached,), release.layout.scope), cells=both, guards=()))
    return found


def _of_frame(earlier: Sequence[Release]) -> tuple[Release, ...]:
    return tuple(release for release in earlier if release.name == ALL_CASES)


def chain_of(counted: Counted) -> FlowCounts:
    """The finest classes, and what is printed as sums of them."""
    (group,) = counted.overall.groups
    stages = group.stages
    losses = {loss.reason: loss.cases.n for stage in stages for loss in stage.losses}
    has_thresholds = bool(counted.threshold.points) and counted.values.height == group.counted.n
    has_other_way = has_thresholds and group.favourable is not None
    if has_thresholds:
        inner, printed = _by_threshold(counted)
    else:
        inner, printed = _by_outcome(group.counted.n, group.adverse.n)
    members: dict[str, tuple[str, ...]] = {}
    for place, stage in enumerate(stages):
        below = [loss.reason for later in stages[place:] for loss in later.losses]
        members[stage.title] = (*below, *inner)
    due = [loss.reason for stage in stages for loss in stage.losses if loss.is_due]
    members[DUE] = (*due, *inner)
    members |= {reason: (reason,) for reason in losses}
    members |= {COUNTED: tuple(inner), **printed}
    kept = {name: atoms for name, atoms in members.items() if atoms}
    return FlowCounts(losses | inner, kept, has_thresholds, has_other_way)


def _by_outcome(n_counted: int, n_adverse: int) -> tuple[dict[str, int], dict[str, tuple[str, ...]]]:
    """Classes of the counted: adverse or not; and what is printed of them."""
    classes = {NOT_ADVERSE: n_counted - n_adverse, ADVERSE: n_adverse}
    return {name: n for name, n in classes.items() if n}, {ADVERSE: (ADVERSE,)} if n_adverse else {}


def _by_threshold(counted: Counted) -> tuple[dict[str, int], dict[str, tuple[str, ...]]]:
    """Classes of the counted: between which thresholds, and what became of them; and what is printed of them."""
    edges = [point.threshold for point in counted.threshold.points]
    became = pl.when("is_adverse").then(pl.lit(ADVERSE)).when("is_favourable").then(pl.lit(FAVOURABLE))
    rows = counted.values.select(
        pl.lit(pl.Series(edges)).search_sorted(pl.col("value"), side="right").alias("place"),
        became.otherwise(pl.lit(NOT_ADVERSE)).alias("became"),
    )
    sizes = rows.group_by("place", "became").len().sort("place", "became")  # the same order in every run
    found = {(place, what): n for place, what, n in sizes.iter_rows()}
    names = {key: f"beyond {key[0]} thresholds, {key[1]}" for key in found}
    printed = {
        threshold_name(edge): tuple(name for (reached, _), name in names.items() if reached > place)
        for place, edge in enumerate(edges)
    }
    for which in (ADVERSE, FAVOURABLE):
        printed[which] = tuple(name for (_, became), name in names.items() if became == which)
    return {name: found[key] for key, name in names.items()}, {name: atoms for name, atoms in printed.items() if atoms}


def threshold_name(threshold: float) -> str:
    """The name of "at or beyond this threshold" in the chain."""
    return f"at least {threshold:g}"


def _reached(members: Mapping[str, tuple[str, ...]], *, complete: bool = True) -> Dimension:
    return Dimension(REACHED, MappingProxyType(dict(members)), complete=complete)


def _group_table(result: Rates, chain: FlowCounts, scope: Mapping[str, tuple[str, ...]]) -> Table:
    """Counted and adverse by group, in the classes of the chain; within a class of the two, any will do."""
    if result.by is None:  # pragma: no cover - only called for groupings
        raise TypeError("a table by group needs a grouping")
    both = chain.both
    adverse = both.get(ADVERSE, ())
    others = [atom for atom in both.get(COUNTED, ()) if atom not in adverse]
    counts: dict[tuple[str, ...], int] = {}
    for group in result.groups:
        for atoms, n in ((adverse, group.adverse.n), (others, group.counted.n - group.adverse.n)):
            if n:
                counts[group.group, atoms[0]] = n
    names = Dimension.of(result.by.name, [group.group for group in result.groups], total="all")
    layout = Layout((names, _reached(both, complete=False)), MappingProxyType(dict(scope)))
    return Table(result.by.name, layout, counts)


def _complete_table(found: Complete, chain: FlowCounts, by: ProtectedTable) -> Table:
    """Complete cases of the two groups, counted and adverse, as cases of the table by group."""
    groups, reached = by.release.layout.dimensions
    adverse = chain.both.get(ADVERSE, ())
    others = [atom for atom in chain.both.get(COUNTED, ()) if atom not in adverse]
    counts: dict[tuple[str, ...], int] = {}
    for group, n, n_adverse in zip((found.asked.first, found.asked.second), found.n, found.n_adverse, strict=True):
        for atoms, size in ((adverse, n_adverse), (others, n - n_adverse)):
            if size:
                counts[group, atoms[0], COMPLETE] = size
    pair = Dimension.of(groups.name, (found.asked.first, found.asked.second), total=None)
    layout = Layout(
        (
            replace(pair, complete=False),
            reached,
            replace(Dimension.of("known", [COMPLETE], total=None), complete=False),
        ),
        by.release.layout.scope,
    )
    return Table(f"{groups.name}, {COMPLETE}", layout, counts)


def _pair(table: ProtectedTable | None, before: tuple[str, ...], after: tuple[str, ...] = ()) -> tuple[Count, Count]:
    """Counted and adverse of a group; a class that no case is in is 0."""
    if table is None:
        return Count.of(0), Count.of(0)
    printed = table.release.layout.dimensions[1].members
    counted, adverse = (
        _as_on_pages(table.cell(*before, name, *after)) if name in printed else Count.of(0)
        for name in (COUNTED, ADVERSE)
    )
    return counted, adverse


def withheld(favourable: Count | None) -> Count | None:
    """The count of cases that moved as far the other way, where it is in no protected table."""
    return None if favourable is None else HIDDEN


def _leaving(beside: Counterparts, counted: Count, policy: Policy) -> Counterparts:
    """What may stand beside a share that leaves: averages over enough cases, and no count of cases."""
    if counted.value is None or counted.value < policy.mean_minimum:
        return NOTHING_BESIDE
    expected, corrected = beside.expected, beside.corrected
    if expected is not None and "n_adverse" in expected.source.numbers:
        n, n_adverse = expected.share.n, int(str(expected.source.numbers["n_adverse"]))
        expected = expected if min(n_adverse, n - n_adverse) >= policy.minimum else None
    kept = replace(corrected, pairs=0, taken_again=0, stand_in=0) if corrected else None
    return Counterparts(expected=expected, corrected=kept)


def alone(n: int, policy: Policy) -> Count:
    """A count that nothing else in the document is about."""
    layout = Layout((Dimension("cases", MappingProxyType({"cases": ("cases",)})),))
    return _as_on_pages(protect(Table("cases", layout, {("cases",): n}), policy).cell("cases"))


def _as_on_pages(cell: Count) -> Count:
    """The cell with its number set as on every page; published tables have it plain."""
    return cell if cell.value is None else Count.of(cell.value)


def row_alone(result: Rates, policy: Policy, *, name: str, started: Count = HIDDEN) -> GroupRow:
    """The row of a result over all its cases, which nothing else in the document is about but how many there are.

    Where ``started`` is shown, those not counted must stay unknown if they are few.
    """
    (row,) = result.groups
    if policy.hides_nothing:
        return row
    both = MappingProxyType({COUNTED: (NOT_ADVERSE, ADVERSE), ADVERSE: (ADVERSE,)})
    counts: dict[tuple[str, ...], int] = {(ADVERSE,): row.adverse.n, (NOT_ADVERSE,): row.counted.n - row.adverse.n}
    earlier = []
    if started.value is not None:
        everyone = _reached({STAGES["started"]: (NOT_ADVERSE, ADVERSE, NOT_COUNTED)})
        cells: dict[tuple[str, ...], Count] = {(STAGES["started"],): started}
        earlier = [Release(name, Layout((everyone,)), Policy(), cells, 0)]
    table = protect(Table(name, Layout((_reached(both, complete=not earlier),)), counts), policy, earlier=earlier)
    return two_counts(row, _as_on_pages(table.cell(COUNTED)), _as_on_pages(table.cell(ADVERSE)), result)


def two_counts(row: GroupRow, counted: Count, adverse: Count, result: Rates) -> GroupRow:
    """The row with nothing but these two counts and what rests on them."""
    return group_row(
        row.group,
        row.label,
        started=HIDDEN,
        finished=HIDDEN,
        counted=counted,
        adverse=adverse,
        missing=HIDDEN,
        turned_away=HIDDEN,
        favourable=withheld(row.favourable),
        method=result.method,
        level=result.level,
    )
