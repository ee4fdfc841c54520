"""Share of cases that went adverse, overall and by group, never without its denominator."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, TypeAlias

from warehouse.analysis.difference import NET, net_share
from warehouse.analysis.proportion import ProportionMethod, missing_bounds, proportion
from warehouse.cases.flow import Flow, StageCount, flow_of, stage_counts, turned_away_cases
from warehouse.disclosure import Count, Policy
from warehouse.marts.grouping import Grouping, group_expression, grouping, in_order, membership_join
from warehouse.marts.outcome_sql import outcomes_of
from warehouse.marts.reader import Reader
from warehouse.outcomes.definition import Definition
from warehouse.results import Caution, Estimate, no_estimate
from warehouse.selection import Selection

ALL = "all cases"

FAVOURABLE = "share that moved as far the other way"

Steps: TypeAlias = "dict[str, tuple[dict[str, int], int, int]]"
"""Group -> (step of mart_outcomes -> cases, cases adverse, cases that moved as far the other way)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupRow:
    """Counts and share of one group, as they may be shown to whoever asked."""

    group: str  # Code of the group; `label` is its name on screens
    label: str
    started: Count  # Cases started
    finished: Count  # Cases that reached the end
    counted: Count  # Cases counted
    adverse: Count  # Cases adverse
    missing: Count  # Cases started whose outcome is due but not known
    favourable: Count | None  # Cases counted that moved as far the other way; None where there is no other way
    rate: Estimate  # Share adverse among the cases counted; without a value where a count it rests on is hidden
    turned_away: Count  # Cases that the checks turned away and that may belong here: of those no more is known
    if_none: Estimate  # Share adverse among counted, missing and turned away if none of the latter were adverse
    if_all: Estimate  # The same if all of them were
    share_favourable: Estimate | None  # Share favourable among the cases counted; None where there is no other way
    net: Estimate | None  # Share adverse minus share favourable; likewise
    stages: tuple[StageCount, ...] = ()  # The group's own sampling frame; empty where it is not given
    change: Estimate | None = None  # Mean change with its interval; None where not asked for, or not shown

    @property
    def unknown(self) -> int | None:
        """Cases started whose outcome is not known, those turned away included; None where a count is hidden."""
        missing, turned_away = self.missing.value, self.turned_away.value
        return None if missing is None or turned_away is None else missing + turned_away

    @property
    def warnings(self) -> tuple[Caution, ...]:
        """Cautions to show with the rate."""
        return self.rate.warnings


@dataclass(frozen=True, slots=True, kw_only=True)
class Rates:
    """Rates under one definition: everything a figure must carry with it."""

    definition: Definition
    growth_reference: str
    build: str
    selection: Selection
    by: Grouping | None
    method: ProportionMethod
    level: float
    groups: tuple[GroupRow, ...]
    flow: Flow
    policy: Policy  # The rule its counts were hidden by
    notes: tuple[str, ...] = ()  # What is hidden, and how, in sentences to print below


def group_row(
    group: str,
    label: str,
    *,
    started: Count,
    finished: Count,
    counted: Count,
    adverse: Count,
    missing: Count,
    favourable: Count | None,
    turned_away: Count,
    stages: tuple[StageCount, ...] = (),
    method: ProportionMethod = "wilson",
    level: float = 0.95,
) -> GroupRow:
    """The row of a group from its counts; a share or bound that rests on a hidden one has no value."""
    rate = if_none = if_all = _WITHHELD
    share_favourable = None if favourable is None else replace(_WITHHELD, estimand=FAVOURABLE)
    net = None if favourable is None else replace(_WITHHELD, estimand=NET)
    if counted.value is not None and adverse.value is not None:
        x = min(adverse.value, counted.value)  # where counts are rounded, more can be adverse than counted
        rate = proportion(x, counted.value, method=method, level=level)
        if missing.value is not None and turned_away.value is not None:
            bounds = missing_bounds(x, counted.value, missing.value + turned_away.value, level=level)
            if_none, if_all = bounds.none_adverse, bounds.all_adverse
        if favourable is not None and favourable.value is not None:
            y = min(favourable.value, counted.value)
            share_favourable = proportion(y, counted.value, method=method, level=level, estimand=FAVOURABLE)
            share_favourable = replace(share_favourable, warnings=())  # they are worded for adverse cases
            net = net_share(x, y, counted.value, level=level)
    return GroupRow(
        group=group,
        label=label,
        started=started,
        finished=finished,
        counted=counted,
        adverse=adverse,
        missing=missing,
        turned_away=turned_away,
        favourable=favourable,
        rate=rate,
        if_none=if_none,
        if_all=if_all,
        share_favourable=share_favourable,
        net=net,
        stages=stages,
    )


_WITHHELD = no_estimate(
    estimand="share adverse",
    method="none",
    n=0,
    reason=Caution("withheld", "withheld"),
)


def rates(
    reader: Reader,
    *,
    by: str | None = None,
    definition: str | None = None,
    selection: Selection | None = None,
    method: ProportionMethod = "wilson",
    level: float = 0.95,
) -> Rates:
    """Share adverse, overall (``by`` None) or in each group of a grouping.

    Under the headline definition and among consecutive treated cases where others are not named; every count whole.
    """
    (result,) = rates_by(reader, (by,), definition=definition, selection=selection, method=method, level=level)
    return result


def rates_by(
    reader: Reader,
    ways: Sequence[str | None],
    *,
    definition: str | None = None,
    selection: Selection | None = None,
    method: ProportionMethod = "wilson",
    level: float = 0.95,
) -> tuple[Rates, ...]:
    """The same shares by several groupings (None: over all), counted in one pass over the cases; see :func:`rates`."""
    chosen = reader.definition(definition)
    selection = selection or Selection()
    asked = [grouping(by) if by else None for by in ways]
    counted = _steps_by_group(reader, chosen, selection, asked)
    once = (steps for way, steps in zip(asked, counted, strict=True) if _has_each_once(way))
    every_case = next(once, None) or _steps_by_group(reader, chosen, selection, [None])[0]
    sums: Counter[str] = Counter()
    for steps, *_ in every_case.values():
        sums.update(steps)
    flow = flow_of(reader, sums, selection)
    return tuple(
        Rates(
            definition=chosen,
            growth_reference=reader.growth_used(chosen),
            build=reader.snapshot.build_id,
            selection=selection,
            by=way,
            method=method,
            level=level,
            groups=tuple(_rows(reader, chosen, way, found, flow.turned_away, method=method, level=level)),
            flow=flow,
            policy=Policy.nothing_hidden(),
        )
        for way, found in zip(asked, counted, strict=True)
    )


def _has_each_once(way: Grouping | None) -> bool:
    """Whether every case is in one group."""
    return way is None or way.column is not None


def _rows(
    reader: Reader,
    definition: Definition,
    way: Grouping | None,
    found: Steps,
    turned_away: Count,
    *,
    method: ProportionMethod,
    level: float,
) -> Iterator[GroupRow]:
    sizes = {group: sum(steps.values()) for group, (steps, *_) in found.items()}
    for group in in_order(way, sizes) if way else [ALL]:
        steps, n_adverse, n_favourable = found.get(group, ({}, 0, 0))
        stages = stage_counts(steps)
        yield group_row(
            group,
            reader.label(way.codes, group) if way and way.codes else group,
            started=stages[0].cases,
            finished=stages[1].cases,
            counted=stages[-1].cases,
            adverse=Count.of(n_adverse),
            missing=Count.of(sum(loss.cases.n for stage in stages for loss in stage.losses if loss.is_due)),
            favourable=Count.of(n_favourable) if definition.single_change else None,
            turned_away=Count.of(turned_away_cases(reader, (group,)))
            if way and way.name == "practice"
            else turned_away,
            stages=stages,
            method=method,
            level=level,
        )


def _steps_by_group(
    reader: Reader, definition: Definition, selection: Selection, ways: Sequence[Grouping | None]
) -> list[Steps]:
    """For each grouping, what a group holds. Groupings that have every case once are counted together."""
    single = [place for place, way in enumerate(ways) if _has_each_once(way)]
    found: list[Steps] = [{} for _ in ways]
    for places in ([single] if single else []) + [[place] for place in range(len(ways)) if place not in single]:
        asked = [ways[at] for at in places]
        for place, group, step, n, n_adverse, n_favourable in _counted(reader, definition, selection, asked):
            steps, adverse, favourable = found[places[place]].get(group, ({}, 0, 0))
            counts = ({**steps, step: n}, adverse + int(n_adverse), favourable + int(n_favourable))
            found[places[place]][group] = counts
    return found


def _counted(
    reader: Reader, definition: Definition, selection: Selection, ways: Sequence[Grouping | None]
) -> Iterator[tuple[int, str, str, int, int, int]]:
    """Place of the grouping, group, step, cases, adverse cases, cases that moved as far the other way."""
    condition, values = selection.where()
    expressions = [group_expression(way) if way else f"'{ALL}'" for way in ways]
    named = ", ".join(f"{expression} as g{place}" for place, expression in enumerate(expressions))
    groups = [f"g{place}" for place in range(len(ways))]
    sets = ", ".join(f"({group}, step)" for group in groups)
    rows = reader.connection.rows(
        f"select {', '.join(groups)}, step, count(*), sum(is_adverse), sum(is_favourable) from ("
        f"select {named}, mart_outcomes.step as step,"
        " case when mart_outcomes.status = 'adverse' then 1 else 0 end as is_adverse,"
        " case when mart_outcomes.is_favourable then 1 else 0 end as is_favourable"
        f" from {outcomes_of(definition)} inner join mart_cases on mart_cases.case_no = mart_outcomes.case_no"
        f"{membership_join(ways[0]) if ways[0] else ''} where {condition}) as counted"
        f" group by {f'grouping sets ({sets})' if len(ways) > 1 else f'{groups[0]}, step'}",
        values,
    )
    for *marks, step, n, n_adverse, n_favourable in rows:
        ((place, group),) = ((place, mark) for place, mark in enumerate(marks) if mark is not None)
        yield place, group, step, n, n_adverse, n_favourable


def rates_as_data(result: Rates) -> dict[str, Any]:
    """The result as data, for ``--json`` and for tables; cautions and estimates are as they are."""
    return {
        "definition": {
            "id": result.definition.id,
            "version": result.definition.version,
            "sentence": result.definition.sentence,
        },
        "growth_reference": result.growth_reference,
        "build": result.build,
        "cases": result.selection.sentence(),
        "by": result.by.name if result.by else None,
        "groups": [_group_as_data(group, result) for group in result.groups],
        "n_turned_away": result.flow.turned_away.value,
    }


def _group_as_data(group: GroupRow, result: Rates) -> dict[str, Any]:
    interval = group.rate.interval
    return {
        "group": group.group,
        "label": group.label,
        "n_started": group.started.value,
        "n_finished": group.finished.value,
        "n_assessable": group.counted.value,
        "n_adverse": group.adverse.value,
        "n_missing_due": group.missing.value,
        "n_turned_away": group.turned_away.value,
        "rate": group.rate.value,
        "interval": [interval.low, interval.high] if interval else None,
        "n_favourable": group.favourable.value if group.favourable else None,
        "share_favourable": group.share_favourable,
        "net": group.net,
        "if_none_of_the_missing": group.if_none.value,
        "if_all_of_the_missing": group.if_all.value,
        "level": result.level,
        "method": result.method,
        "warnings": list(group.warnings),
    }
