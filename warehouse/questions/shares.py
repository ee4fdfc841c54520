"""Share of cases that went adverse, overall and by group, never without its denominator."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeAlias

from warehouse.analysis.proportion import missing_bounds, proportion
from warehouse.cases.flow import Flow, StageCount, flow_of, sampling_frame, stage_counts
from warehouse.marts.grouping import Grouping, group_expression, grouping, in_order, membership_join
from warehouse.marts.outcome_sql import outcomes_of
from warehouse.selection import Selection

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from warehouse.analysis.proportion import ProportionMethod
    from warehouse.marts.reader import Reader
    from warehouse.outcomes.definition import Definition
    from warehouse.results import Caution, Estimate

SMALL_GROUP = 20
"""Cases below which a rate is called a small-sample rate."""

ALL = "all cases"

Steps: TypeAlias = "dict[str, tuple[dict[str, int], int]]"
"""Group -> (step of mart_outcomes -> cases, cases adverse)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupRate:
    """The rate in one group."""

    group: str  # Code of the group; `label` is its name on screens
    label: str
    n_started: int  # Cases started
    n_finished: int  # Cases that reached the end
    n_assessable: int  # Cases counted
    n_adverse: int  # Cases adverse
    n_missing_due: int  # Cases started whose outcome is due but not known
    rate: Estimate  # Share adverse among the cases counted
    if_none: Estimate  # Share adverse among counted and missing if none of the missing were adverse
    if_all: Estimate  # The same if all of the missing were
    stages: tuple[StageCount, ...]  # The group's own sampling frame

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
    method: str
    level: float
    groups: tuple[GroupRate, ...]
    flow: Flow


def rates(
    reader: Reader,
    *,
    by: str | None = None,
    definition: str | None = None,
    selection: Selection | None = None,
    method: ProportionMethod = "wilson",
    level: float = 0.95,
) -> Rates:
    """Share adverse, overall (``by`` None) or in each group.

    Args:
        reader: An open snapshot.
        by: Name of a grouping.
        definition: Id of an outcome definition; the headline one where None.
        selection: Which cases; consecutive treated ones where None.
        method: ``wilson``, ``clopper_pearson``, ``mid_p`` or ``jeffreys``.
        level: Level of the interval.
    """
    (found,) = rates_by(reader, (by,), definition=definition, selection=selection, method=method, level=level)
    return found


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
    found = _steps_by_group(reader, chosen, selection, asked)
    flow = _flow(reader, chosen, selection, asked, found)
    made = zip(asked, found, strict=True)
    return tuple(_rates(reader, chosen, selection, way, steps, flow, method=method, level=level) for way, steps in made)


def _flow(
    reader: Reader,
    definition: Definition,
    selection: Selection,
    ways: Sequence[Grouping | None],
    found: Sequence[Steps],
) -> Flow:
    """The frame: added up from a grouping that has every case once, else asked for."""
    for way, steps in zip(ways, found, strict=True):
        if way is None or way.column is not None:
            return flow_of(reader, _sums(steps), selection)
    return sampling_frame(reader, definition, selection)


def _sums(steps: Steps) -> dict[str, int]:
    sums: dict[str, int] = {}
    for counts, _ in steps.values():
        for step, n in counts.items():
            sums[step] = sums.get(step, 0) + n
    return sums


def _rates(
    reader: Reader,
    definition: Definition,
    selection: Selection,
    way: Grouping | None,
    steps: Steps,
    flow: Flow,
    *,
    method: ProportionMethod,
    level: float,
) -> Rates:
    sizes = {group: sum(counts.values()) for group, (counts, _) in steps.items()}
    order = in_order(way, sizes) if way else [ALL]
    empty: tuple[dict[str, int], int] = ({}, 0)
    groups = tuple(
        _group_rate(group, _label(reader, way, group), *steps.get(group, empty), method=method, level=level)
        for group in order
    )
    return Rates(
        definition=definition,
        growth_reference=reader.growth_reference,
        build=reader.snapshot.build_id,
        selection=selection,
        by=way,
        method=method,
        level=level,
        groups=groups,
        flow=flow,
    )


def _label(reader: Reader, way: Grouping | None, group: str) -> str:
    return reader.label(way.codes, group) if way and way.codes else group


def _steps_by_group(
    reader: Reader, definition: Definition, selection: Selection, ways: Sequence[Grouping | None]
) -> list[Steps]:
    """For each grouping: group -> (step -> n, n adverse). Groupings that have every case once are counted together."""
    single = [place for place, way in enumerate(ways) if way is None or way.column is not None]
    found: list[Steps] = [{} for _ in ways]
    for places in ([single] if single else []) + [[place] for place in range(len(ways)) if place not in single]:
        for place, group, step, n, n_adverse in _counted(reader, definition, selection, [ways[at] for at in places]):
            steps, adverse = found[places[place]].get(group, ({}, 0))
            found[places[place]][group] = ({**steps, step: n}, adverse + int(n_adverse))
    return found


def _counted(
    reader: Reader, definition: Definition, selection: Selection, ways: Sequence[Grouping | None]
) -> Iterator[tuple[int, str, str, int, int]]:
    """Place of the grouping, group, step, cases, adverse cases."""
    condition, values = selection.where()
    expressions = [group_expression(way) if way else f"'{ALL}'" for way in ways]
    named = ", ".join(f"{expression} as g{place}" for place, expression in enumerate(expressions))
    groups = [f"g{place}" for place in range(len(ways))]
    sets = ", ".join(f"({group}, step)" for group in groups)
    rows = reader.connection.rows(
        f"select {', '.join(groups)}, step, count(*), sum(is_adverse) from ("
        f"select {named}, mart_outcomes.step as step,"
        " case when mart_outcomes.status = 'adverse' then 1 else 0 end as is_adverse"
        f" from {outcomes_of(definition)} inner join mart_cases on mart_cases.case_no = mart_outcomes.case_no"
        f"{membership_join(ways[0]) if ways[0] else ''} where {condition}) as counted"
        f" group by {f'grouping sets ({sets})' if len(ways) > 1 else f'{groups[0]}, step'}",
        values,
    )
    for *marks, step, n, n_adverse in rows:
        ((place, group),) = ((place, mark) for place, mark in enumerate(marks) if mark is not None)
        yield place, group, step, n, n_adverse


def _group_rate(
    group: str, label: str, steps: Mapping[str, int], n_adverse: int, *, method: ProportionMethod, level: float
) -> GroupRate:
    stages = stage_counts(steps)
    n_counted = steps.get("counted", 0)
    n_missing = sum(loss.n for stage in stages for loss in stage.losses if loss.is_due)
    bounds = missing_bounds(n_adverse, n_counted, n_missing, level=level)
    return GroupRate(
        group=group,
        label=label,
        n_started=stages[0].n,
        n_finished=stages[1].n,
        n_assessable=n_counted,
        n_adverse=n_adverse,
        n_missing_due=n_missing,
        rate=proportion(n_adverse, n_counted, method=method, level=level),
        if_none=bounds.none_adverse,
        if_all=bounds.all_adverse,
        stages=stages,
    )


def rates_as_data(result: Rates) -> dict[str, Any]:
    """The result as data, for ``--json`` and for tables; cautions are as they are."""
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
        "n_turned_away": result.flow.n_turned_away,
    }


def _group_as_data(group: GroupRate, result: Rates) -> dict[str, Any]:
    interval = group.rate.interval
    return {
        "group": group.group,
        "label": group.label,
        "n_started": group.n_started,
        "n_finished": group.n_finished,
        "n_assessable": group.n_assessable,
        "n_adverse": group.n_adverse,
        "n_missing_due": group.n_missing_due,
        "rate": group.rate.value,
        "interval": [interval.low, interval.high] if interval else None,
        "if_none_of_the_missing": group.if_none.value,
        "if_all_of_the_missing": group.if_all.value,
        "level": result.level,
        "method": result.method,
        "warnings": list(group.warnings),
    }
