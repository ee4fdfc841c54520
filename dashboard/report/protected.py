"""Findings made to leave the practice: all counts of the document go through the disclosure engine together.

What is published about the headline's cases:

1. one chain: started, each stage and each reason for going no further, counted, at or beyond each threshold, adverse;
2. for every comparison, counted and adverse in each group.

The chain is protected first. Where it shows how many were counted and how many were adverse, each comparison is
protected against these two alone: two tables that have nothing in common but margins which are known exactly tell no
more together than each by itself (any two of the numbers they allow fit together, by the theorem on transport tables
with given margins). Where it hides one of them, every comparison is protected against all that came before.

Other definitions are about the same cases, and one may hold all the adverse cases of another, so that a difference
would be a count of cases. Their counts are rounded as well. Untreated children and cases that were turned away or
picked out are other cases, and each is protected by itself.

Not looked for: what several documents, each about one practice, tell together about the practices left over; and what
two documents with different headline definitions, each shown exactly, tell about the cases that only one calls adverse.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import TYPE_CHECKING

from dashboard.report.findings import Change, Comparison, Findings, Group, Loss, Stage, cases_in_words
from dashboard.report.whole import change_of, difference_of
from warehouse.analysis.proportion import missing_bounds, proportion
from warehouse.disclosure import Cell, Dimension, Layout, Policy, ProtectedTable, Release, Table, protect
from warehouse.results import no_estimate

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from dashboard.report.gathered import Gathered
    from warehouse.outcomes.definition import Definition
    from warehouse.rates import Rates
    from warehouse.threshold import ThresholdCurve

POLICY = Policy()
ROUND_TO = 5
"""Base that counts under other definitions are rounded to."""

REACHED = "reached"
COUNTED = "counted"
ADVERSE = "adverse"
NOT_ADVERSE = "not adverse"
DUE = "outcome due"

HIDDEN = Cell("withheld", "withheld", None)


@dataclass(frozen=True, slots=True)
class Chain:
    """How far each case came, in the finest classes that the document tells apart.

    Attributes:
        atoms: Class -> cases.
        members: What is printed -> the classes it holds; what no case reached is left out.
        has_thresholds: Whether the cases beyond each threshold are told apart.
    """

    atoms: Mapping[str, int]
    members: Mapping[str, tuple[str, ...]]
    has_thresholds: bool

    @property
    def both(self) -> dict[str, tuple[str, ...]]:
        """Counted and adverse alone."""
        return {name: self.members[name] for name in (COUNTED, ADVERSE) if name in self.members}


def protected(gathered: Gathered, *, around: Gathered | None = None, policy: Policy = POLICY) -> Findings:
    """What was gathered, made fit to leave.

    Args:
        gathered: The cases the document is about.
        around: All cases, where the document is about one practice among several: a document about all of them is
            taken to be published as well, so that the two cannot be subtracted from each other.
        policy: What may be shown.
    """
    scope = {"practice": gathered.practices} if around is not None else {}
    before = Published(around, policy, {}, ()) if around is not None else None
    published = Published(gathered, policy, scope, before.releases if before else ())
    frame = published.frame
    overall, count = gathered.overall, published.count
    return Findings(
        audience="outside",
        policy=policy,
        definition=overall.definition,
        growth_reference=overall.growth_reference,
        build=overall.build,
        published_at=gathered.published_at,
        cases=cases_in_words(overall.selection),
        practices=gathered.practices,
        n_practices=len(gathered.practices),
        level=overall.level,
        overall=_overall(count, overall),
        stages=_stages(count, overall),
        turned_away=alone(overall.flow.n_turned_away, policy),
        selected=alone(overall.flow.n_selected, policy),
        not_due=count("still in treatment") if overall.flow.n_not_due else _shown(0),
        untreated=_two_counts(gathered.untreated, policy, name="untreated") if gathered.untreated else None,
        comparisons=tuple(
            _comparison(result, table, gathered, policy)
            for result, table in zip(gathered.by, published.tables, strict=True)
        ),
        family=tuple(_rounded(other, policy) for other in gathered.others),
        secondary=tuple(_rounded(other, policy) for other in gathered.secondary),
        curve=_curve(gathered.threshold, published),
        change=_change(gathered, count(COUNTED), policy),
        refused=frame.refused,
    )


class Published:
    """The tables about the headline's cases, protected one after the other."""

    def __init__(
        self, gathered: Gathered, policy: Policy, scope: Mapping[str, tuple[str, ...]], earlier: Sequence[Release]
    ) -> None:
        self.chain = chain_of(gathered)
        layout = Layout((_reached(self.chain.members),), MappingProxyType(dict(scope)))
        counts: dict[tuple[str, ...], int] = {(atom,): n for atom, n in self.chain.atoms.items()}
        self.frame = protect(Table("all cases", layout, counts), policy, earlier=_of_frame(earlier))
        self.releases: list[Release] = [] if self.frame.refused else [self.frame.release]
        self.tables: list[ProtectedTable | None] = []
        for result in gathered.by:
            if not self.chain.both:  # nobody was counted: every group has 0, as the frame says already
                self.tables.append(None)
                continue
            known = self._known(earlier, result)
            table = protect(_group_table(result, self.chain, scope), policy, earlier=known)
            self.tables.append(table)
            self.releases += [] if table.refused else [table.release]

    def count(self, name: str) -> Cell:
        """A count of the chain as it may be shown; one that no case could be in is 0."""
        if name not in self.chain.members:
            return _shown(0)
        return _with_thousands(self.frame.cell(name))

    def _known(self, earlier: Sequence[Release], result: Rates) -> tuple[Release, ...]:
        """What a table by group is checked against: see the head of this module."""
        if any(self.frame.cell(name).state != "shown" for name in self.chain.both):
            return (*earlier, *self.releases)
        layout = Layout((_reached(self.chain.both, complete=False),), self.frame.release.layout.scope)
        cells: dict[tuple[str, ...], Cell] = {(name,): self.frame.cell(name) for name in self.chain.both}
        margins = replace(self.frame.release, layout=layout, cells=cells, guards=())
        alike = [release for release in earlier if result.by is not None and release.name == result.by.name]
        return (*_coarse(earlier), *alike, margins)


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
    return tuple(release for release in earlier if release.name == "all cases")


def chain_of(gathered: Gathered) -> Chain:
    """The finest classes, and what is printed as sums of them."""
    (group,) = gathered.overall.groups
    stages = group.stages
    losses = {loss.reason: loss.n for stage in stages for loss in stage.losses if loss.n}
    has_thresholds = bool(gathered.threshold.points) and gathered.values.height == group.n_assessable
    if has_thresholds:
        inner, printed = _by_threshold(gathered)
    else:
        inner, printed = _by_outcome(group.n_assessable, group.n_adverse)
    members: dict[str, tuple[str, ...]] = {}
    for place, stage in enumerate(stages):
        below = [loss.reason for later in stages[place:] for loss in later.losses if loss.n]
        members[stage.title] = (*below, *inner)
    due = [loss.reason for stage in stages for loss in stage.losses if loss.n and loss.is_due]
    members[DUE] = (*due, *inner)
    members |= {reason: (reason,) for reason in losses}
    members |= {COUNTED: tuple(inner), **printed}
    return Chain(losses | inner, {name: atoms for name, atoms in members.items() if atoms}, has_thresholds)


def _by_outcome(n_counted: int, n_adverse: int) -> tuple[dict[str, int], dict[str, tuple[str, ...]]]:
    """Classes of the counted: adverse or not; and what is printed of them."""
    classes = {NOT_ADVERSE: n_counted - n_adverse, ADVERSE: n_adverse}
    return {name: n for name, n in classes.items() if n}, {ADVERSE: (ADVERSE,)} if n_adverse else {}


def _by_threshold(gathered: Gathered) -> tuple[dict[str, int], dict[str, tuple[str, ...]]]:
    """Classes of the counted: between which thresholds, and whether adverse; and what is printed of them."""
    edges = [point.threshold for point in gathered.threshold.points]
    found: dict[tuple[int, bool], int] = {}
    for value, is_adverse in gathered.values.select("value", "is_adverse").iter_rows():
        place = sum(value >= edge for edge in edges)
        found[place, is_adverse] = found.get((place, is_adverse), 0) + 1
    names = {key: f"beyond {key[0]} thresholds, {ADVERSE if key[1] else NOT_ADVERSE}" for key in sorted(found)}
    printed = {
        threshold_name(edge): tuple(name for (reached, _), name in names.items() if reached > place)
        for place, edge in enumerate(edges)
    }
    printed[ADVERSE] = tuple(name for (_, is_adverse), name in names.items() if is_adverse)
    return {names[key]: n for key, n in found.items()}, {name: atoms for name, atoms in printed.items() if atoms}


def threshold_name(threshold: float) -> str:
    """The name of "at or beyond this threshold" in the chain."""
    return f"at least {threshold:g}"


def _reached(members: Mapping[str, tuple[str, ...]], *, complete: bool = True) -> Dimension:
    return Dimension(REACHED, MappingProxyType(dict(members)), complete=complete)


def _group_table(result: Rates, chain: Chain, scope: Mapping[str, tuple[str, ...]]) -> Table:
    """Counted and adverse by group, in the classes of the chain; within a class of the two, any will do."""
    if result.by is None:  # pragma: no cover - only called for groupings
        message = "a table by group needs a grouping"
        raise TypeError(message)
    both = chain.both
    adverse = both.get(ADVERSE, ())
    others = [atom for atom in both.get(COUNTED, ()) if atom not in adverse]
    counts: dict[tuple[str, ...], int] = {}
    for group in result.groups:
        for atoms, n in ((adverse, group.n_adverse), (others, group.n_assessable - group.n_adverse)):
            if n:
                counts[group.group, atoms[0]] = n
    names = Dimension.of(result.by.name, [group.group for group in result.groups], total="all")
    layout = Layout((names, _reached(both, complete=False)), MappingProxyType(dict(scope)))
    return Table(result.by.name, layout, counts)


def alone(n: int, policy: Policy) -> Cell:
    """A count that nothing else in the document is about."""
    layout = Layout((Dimension("cases", MappingProxyType({"cases": ("cases",)})),))
    return _with_thousands(protect(Table("cases", layout, {("cases",): n}), policy).cell("cases"))


def _shown(n: int) -> Cell:
    return Cell("shown", f"{n:,}", n)


def _with_thousands(cell: Cell) -> Cell:
    return cell if cell.value is None else _shown(cell.value)


def _overall(count: Callable[[str], Cell], overall: Rates) -> Group:
    counted, adverse, due = count(COUNTED), count(ADVERSE), count(DUE)
    missing = HIDDEN if counted.value is None or due.value is None else _shown(due.value - counted.value)
    group = _group_of(overall.groups[0].group, overall.groups[0].label, counted, adverse, overall.level)
    if group.rate.value is None or missing.value is None or counted.value is None or adverse.value is None:
        bounds = None
    else:
        bounds = missing_bounds(adverse.value, counted.value, missing.value, level=overall.level)
    return replace(
        group,
        started=count("started"),
        finished=count("reached the end"),
        missing=missing,
        if_none=bounds.none_adverse if bounds else None,
        if_all=bounds.all_adverse if bounds else None,
    )


def _stages(count: Callable[[str], Cell], overall: Rates) -> tuple[Stage, ...]:
    listed = overall.flow.stages
    cells = [count(stage.title) for stage in listed]
    found = []
    for place, stage in enumerate(listed):
        after = cells[place + 1] if place + 1 < len(cells) else cells[place]
        here = cells[place]
        fewer = None if here.value is None or after.value is None else here.value - after.value
        losses = tuple(Loss(loss.reason, count(loss.reason)) for loss in stage.losses if loss.n)
        found.append(Stage(stage.name, stage.title, here, losses, fewer))
    return tuple(found)


def _group_of(group: str, label: str, counted: Cell, adverse: Cell, level: float) -> Group:
    if counted.value is None or adverse.value is None:
        reason = "Withheld: it rests on a count that is not shown."
        rate = no_estimate(estimand="share adverse", method="none", n=0, reason=reason, kind="withheld")
    else:
        rate = proportion(min(adverse.value, counted.value), counted.value, level=level)
    return Group(group=group, label=label, counted=counted, adverse=adverse, rate=rate)


def _comparison(result: Rates, table: ProtectedTable | None, gathered: Gathered, policy: Policy) -> Comparison:
    if result.by is None:  # pragma: no cover - only called for groupings
        message = "a comparison needs a grouping"
        raise TypeError(message)
    groups = [_group_of(group.group, group.label, *_pair(table, group.group), result.level) for group in result.groups]
    means = gathered.means.get(result.by.name, {})
    sizes = {group.group: group.n_assessable for group in result.groups}
    shown = groups_with_means({group.group: group.counted for group in groups}, sizes, policy)
    kept = tuple(replace(group, change=means.get(group.group) if group.group in shown else None) for group in groups)
    difference = difference_of(kept, level=result.level)
    return Comparison(by=result.by, groups=kept, difference=difference, refused=table.refused if table else "")


def _pair(table: ProtectedTable | None, group: str) -> tuple[Cell, Cell]:
    """Counted and adverse of a group; a class that no case is in is 0."""
    if table is None:
        return _shown(0), _shown(0)
    printed = table.release.layout.dimensions[1].members
    counted, adverse = (
        _with_thousands(table.cell(group, name)) if name in printed else _shown(0) for name in (COUNTED, ADVERSE)
    )
    return counted, adverse


def groups_with_means(cells: Mapping[str, Cell], sizes: Mapping[str, int], policy: Policy) -> frozenset[str]:
    """Groups whose mean may be shown.

    A mean needs ``policy.mean_minimum`` cases and a count that is shown. The mean over all cases is published, so the
    mean of the groups left out can be worked out: they must be two at least and have that many cases together, or
    further means are left out, of the smallest groups first.

    Args:
        cells: Group -> cases counted, as shown.
        sizes: Group -> cases counted.
        policy: What may be shown.
    """
    filled = [group for group, n in sizes.items() if n]
    fit = [group for group in filled if (cells[group].value or 0) >= policy.mean_minimum]
    fit.sort(key=lambda group: sizes[group])
    out = [group for group in filled if group not in fit]
    while out and fit and (len(out) < 2 or sum(sizes[group] for group in out) < policy.mean_minimum):
        out.append(fit.pop(0))
    return frozenset(fit)


def _two_counts(result: Rates, policy: Policy, *, name: str) -> Group:
    """Counted and adverse of a result over all its cases, protected by themselves."""
    (group,) = result.groups
    both = MappingProxyType({COUNTED: (NOT_ADVERSE, ADVERSE), ADVERSE: (ADVERSE,)})
    counts: dict[tuple[str, ...], int] = {
        (ADVERSE,): group.n_adverse,
        (NOT_ADVERSE,): group.n_assessable - group.n_adverse,
    }
    table = protect(Table(name, Layout((Dimension(REACHED, both),)), counts), policy)
    cells = [_with_thousands(table.cell(one)) for one in (COUNTED, ADVERSE)]
    return _group_of(group.group, group.label, cells[0], cells[1], result.level)


def _rounded(result: Rates, policy: Policy) -> tuple[Definition, Group]:
    rounding = replace(policy, round_to=policy.round_to or ROUND_TO)
    return result.definition, _two_counts(result, rounding, name=result.definition.name)


def _curve(curve: ThresholdCurve, published: Published) -> ThresholdCurve:
    """The points that may be shown. Without the number counted there is no share."""
    if published.count(COUNTED).value is None or not published.chain.has_thresholds:
        return replace(curve, points=(), n=0)
    kept = tuple(p for p in curve.points if published.count(threshold_name(p.threshold)).value is not None)
    return replace(curve, points=kept)


def _change(gathered: Gathered, counted: Cell, policy: Policy) -> Change | None:
    if counted.value is None or counted.value < policy.mean_minimum:
        return None
    return change_of(gathered.changes, with_picture=False)
