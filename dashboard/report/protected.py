"""Findings made to leave the practice: their counts are those of :mod:`warehouse.protected.counts`.

Other definitions are about the same cases, and one may hold all the adverse cases of another, so that a difference
would be a count of cases. Their counts are rounded as well. Untreated children and cases that were turned away or
picked out are other cases, and each is protected by itself.

Not looked for: what several documents, each about one practice, tell together about the practices left over; and what
two documents with different headline definitions, each shown exactly, tell about the cases that only one calls adverse.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from types import MappingProxyType

from dashboard.report.adjusted import AdjustedShown, adjusted_outside
from dashboard.report.findings import Change, Comparison, Group, LossShown, Shown, Stage
from dashboard.report.gathered import Gathered
from dashboard.report.whole import change_of, difference_of
from warehouse.analysis.proportion import missing_bounds, proportion
from warehouse.disclosure import Count, Dimension, Layout, Policy, Table, protect
from warehouse.outcomes.definition import Definition
from warehouse.protected.counts import (
    ADVERSE,
    COUNTED,
    DUE,
    HIDDEN,
    NOT_ADVERSE,
    REACHED,
    Counted,
    Published,
    alone,
    shown,
    threshold_name,
    with_thousands,
)  # fmt: skip
from warehouse.questions.grouped_changes import groups_with_means
from warehouse.questions.shares import Rates
from warehouse.questions.threshold import ThresholdCurve
from warehouse.results import Caution, no_estimate

POLICY = Policy()
ROUND_TO = 5
"""Base that counts under other definitions are rounded to."""


def protected(gathered: Gathered, *, around: Counted | None = None, policy: Policy = POLICY) -> Shown:
    """What was gathered, made fit to leave.

    Args:
        gathered: The cases the document is about.
        around: Counts of all cases, where the document is about one practice among several: a document about all of
            them is taken to be published as well, so that the two cannot be subtracted from each other.
        policy: What may be shown.
    """
    scope = {"practice": gathered.practices} if around is not None else {}
    before = Published(around, policy, {}, ()) if around is not None else None
    published = Published(gathered.counted, policy, scope, before.releases if before else ())
    frame = published.frame
    overall, count = gathered.overall, published.count
    return Shown(
        audience="outside",
        policy=policy,
        overall=_overall(count, overall),
        stages=_stages(count, overall),
        turned_away=alone(overall.flow.n_turned_away, policy),
        selected=alone(overall.flow.n_selected, policy),
        not_due=count("still in treatment") if overall.flow.n_not_due else shown(0),
        untreated=_two_counts(gathered.untreated, policy, name="untreated") if gathered.untreated else None,
        comparisons=tuple(
            _comparison(place, result, gathered, published, policy) for place, result in enumerate(gathered.by)
        ),
        family=tuple(_rounded(other, policy) for other in gathered.others),
        secondary=tuple(_rounded(other, policy) for other in gathered.secondary),
        curve=_curve(gathered.threshold, published),
        change=_change(gathered, count(COUNTED), policy),
        refused=frame.refused,
    )


def _overall(count: Callable[[str], Count], overall: Rates) -> Group:
    counted, adverse, due = count(COUNTED), count(ADVERSE), count(DUE)
    missing = HIDDEN if counted.value is None or due.value is None else shown(due.value - counted.value)
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


def _stages(count: Callable[[str], Count], overall: Rates) -> tuple[Stage, ...]:
    listed = overall.flow.stages
    cells = [count(stage.title) for stage in listed]
    found = []
    for place, stage in enumerate(listed):
        after = cells[place + 1] if place + 1 < len(cells) else cells[place]
        here = cells[place]
        fewer = None if here.value is None or after.value is None else here.value - after.value
        losses = tuple(LossShown(loss.reason, count(loss.reason)) for loss in stage.losses if loss.n)
        found.append(Stage(stage.name, stage.title, here, losses, fewer))
    return tuple(found)


def _group_of(group: str, label: str, counted: Count, adverse: Count, level: float) -> Group:
    if counted.value is None or adverse.value is None:
        reason = Caution("withheld", "withheld")
        rate = no_estimate(estimand="share adverse", method="none", n=0, reason=reason)
    else:
        rate = proportion(min(adverse.value, counted.value), counted.value, level=level)
    return Group(group=group, label=label, counted=counted, adverse=adverse, rate=rate)


def _comparison(place: int, result: Rates, gathered: Gathered, published: Published, policy: Policy) -> Comparison:
    if result.by is None:  # pragma: no cover - only called for groupings
        message = "a comparison needs a grouping"
        raise TypeError(message)
    name, table = result.by.name, published.tables[place]
    groups = [
        _group_of(group.group, group.label, *published.pair(place, group.group), result.level)
        for group in result.groups
    ]
    means = gathered.means.get(name, {})
    sizes = {group.group: group.n_assessable for group in result.groups}
    fit = groups_with_means({group.group: group.counted for group in groups}, sizes, policy)
    kept = tuple(replace(group, change=means.get(group.group) if group.group in fit else None) for group in groups)
    held_alike = _held_alike(place, name, gathered, published)
    return Comparison(
        by=result.by,
        groups=kept,
        difference=difference_of(kept, level=result.level),
        adjusted=None if isinstance(held_alike, str) else held_alike,
        not_adjusted=held_alike if isinstance(held_alike, str) else "",
        refused=table.refused if table else "",
    )


def _held_alike(place: int, name: str, gathered: Gathered, published: Published) -> AdjustedShown | str:
    """Two of the groups adjusted for what was recorded, or why that is not shown; empty where there are not two."""
    pair, complete = gathered.pairs.get(name), gathered.complete.get(name)
    if pair is None or complete is None:
        return ""
    first, second = complete.asked.first, complete.asked.second
    return adjusted_outside(
        pair,
        complete=(published.complete_pair(name, first), published.complete_pair(name, second)),
        counted=(published.pair(place, first), published.pair(place, second)),
    )


def _two_counts(result: Rates, policy: Policy, *, name: str) -> Group:
    """Counted and adverse of a result over all its cases, protected by themselves."""
    (group,) = result.groups
    both = MappingProxyType({COUNTED: (NOT_ADVERSE, ADVERSE), ADVERSE: (ADVERSE,)})
    counts: dict[tuple[str, ...], int] = {
        (ADVERSE,): group.n_adverse,
        (NOT_ADVERSE,): group.n_assessable - group.n_adverse,
    }
    table = protect(Table(name, Layout((Dimension(REACHED, both),)), counts), policy)
    cells = [with_thousands(table.cell(one)) for one in (COUNTED, ADVERSE)]
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


def _change(gathered: Gathered, counted: Count, policy: Policy) -> Change | None:
    if counted.value is None or counted.value < policy.mean_minimum:
        return None
    return change_of(gathered.changes, with_picture=False)
