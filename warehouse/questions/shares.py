"""Share of cases that went adverse, overall and by group, never without its denominator."""

from collections import Counter
from collections.abc import Callable, Container, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from functools import partial
from typing import Any, TypeAlias

from warehouse.analysis.difference import NET, net_share, risk_difference
from warehouse.analysis.proportion import ProportionMethod, missing_bounds, proportion
from warehouse.cases.flow import Flow, StageCount, flows_of, stage_counts, turned_away_cases
from warehouse.disclosure import Count, Policy
from warehouse.marts.grouping import Grouping, group_label, grouping, in_order, membership_join, named_group
from warehouse.marts.outcome_sql import COUNTED, outcomes_of, outcomes_statement
from warehouse.marts.reader import Reader
from warehouse.marts.steps import STEPS
from warehouse.outcomes.definition import Definition
from warehouse.questions.beside import ALL, NOTHING_BESIDE, BesideShares, Counterparts, from_untreated
from warehouse.results import Caution, Estimate, no_estimate
from warehouse.selection import Selection
from warehouse.store.quoting import statement, text

FAVOURABLE = "share that moved as far the other way"
ALL_STARTED = "share adverse among all started whose outcome is known"


@dataclass(slots=True)
class Tally:
    """What a group holds; the fields but the first are sums over its cases, in the order of ``counted.sql``."""

    steps: dict[str, int] = field(default_factory=dict)  # Step of mart_outcomes -> cases
    adverse: int = 0
    favourable: int = 0  # Moved as far the other way
    could_turn: int = 0  # Could have
    known: int = 0  # The outcome is known, whatever became of the treatment
    known_adverse: int = 0
    operated: int = 0  # Counted, and the jaws were operated on
    two_examiners: int = 0  # Counted, and read by different examiners at the two times

    @property
    def counted(self) -> int:
        """Cases counted."""
        return self.steps.get("counted", 0)


Tallies: TypeAlias = dict[str, Tally]  # by group
Ways: TypeAlias = Sequence[Grouping | None]  # None: all cases together

_SUMMED = tuple(one.name for one in fields(Tally))[1:]


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
    favourable: Count | None  # Cases that moved as far the other way; None where there is no other way
    favourable_of: Count | None  # Of how many, where it is not the cases counted: those that had it at the start
    rate: Estimate  # Share adverse among the cases counted; without a value where a count it rests on is hidden
    turned_away: Count  # Cases that the checks turned away and that may belong here: of those no more is known
    if_none: Estimate  # Share adverse among counted, missing and turned away if none of the latter were adverse
    if_all: Estimate  # The same if all of them were
    share_favourable: Estimate | None  # Share favourable among these; None where there is no other way
    net: Estimate | None  # Share adverse minus share favourable, both of all who could move either way; likewise
    # Share expected without treatment, and share once reading error is allowed for; None where neither can be asked or
    # shown
    beside: Counterparts
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
    favourable_of: Count | None = None,
    beside: Counterparts = NOTHING_BESIDE,
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
            others = favourable_of.n if favourable_of else 0
            could_turn = others if favourable_of else counted.value
            y = min(favourable.value, could_turn)
            share_favourable = proportion(y, could_turn, method=method, level=level, estimand=FAVOURABLE)
            share_favourable = replace(share_favourable, warnings=())  # they are worded for adverse cases
            net = net_share(x, y, counted.value + others, level=level)
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
        favourable_of=favourable_of,
        rate=rate,
        if_none=if_none,
        if_all=if_all,
        share_favourable=share_favourable,
        net=net,
        beside=beside,
        stages=stages,
    )


_WITHHELD = no_estimate(estimand="share adverse", method="none", n=0, reason=Caution("withheld", "withheld"))


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
    beside: Container[str | None] | None = None,
) -> tuple[Rates, ...]:
    """The same shares by several groupings (None: over all), counted in one pass over the cases; see :func:`rates`.

    ``beside``: the groupings whose groups are to have beside their shares what is expected and what is left of error;
    all where None.
    """
    chosen = [reader.definition(definition)]
    selection = selection or Selection()
    return next(rates_under(reader, chosen, ways, selection=selection, beside=beside, method=method, level=level))


def rates_under(
    reader: Reader,
    definitions: Sequence[Definition],
    ways: Sequence[str | None],
    *,
    selection: Selection,
    beside: Container[str | None] | None = None,
    method: ProportionMethod = "wilson",
    level: float = 0.95,
) -> Iterator[tuple[Rates, ...]]:
    """The same under each of some definitions, at least one, all counted in one pass."""
    asked = [grouping(by) if by else None for by in ways]
    counted = _tallies(reader, definitions, selection, asked)
    wanted = [place for place, by in enumerate(ways) if beside is None or by in beside]
    known = _beside(reader, definitions, selection, [asked[at] for at in wanted], level)
    once = next((place for place, way in enumerate(asked) if way is None or way.column), None)
    whole = counted if once is not None else _tallies(reader, definitions, selection, [None])
    steps = [sum((Counter(tally.steps) for tally in one[once or 0].values()), Counter()) for one in whole]
    flows = flows_of(reader, steps, selection)
    for chosen, found, stand, flow in zip(definitions, counted, known, flows, strict=True):
        standing = dict(zip(wanted, stand, strict=True))
        stands = [standing.get(place, lambda _: NOTHING_BESIDE) for place in range(len(ways))]
        yield tuple(
            Rates(
                definition=chosen,
                growth_reference=reader.growth_used(chosen),
                build=reader.snapshot.build_id,
                selection=selection,
                by=way,
                method=method,
                level=level,
                groups=tuple(_rows(reader, chosen, way, held, told, flow.turned_away, method=method, level=level)),
                flow=flow,
                policy=Policy.nothing_hidden(),
            )
            for way, held, told in zip(asked, found, stands, strict=True)
        )


def untreated_alike(selection: Selection) -> Selection:
    """Untreated cases under the same filters, save those that only a treated case can meet."""
    meant = {name: kept for name, kept in selection.filters.items() if name not in _ABOUT_TREATMENT}
    return replace(selection, comparison="untreated", filters=meant)


_ABOUT_TREATMENT = ("appliance", "extraction", "extraction_pattern", "clinician", "practice")
_OF_CHILDREN = ("age_band", "sex", "vertical_type", "growth_stage", "incisor_class")


def _beside(
    reader: Reader, definitions: Sequence[Definition], selection: Selection, ways: Ways, level: float
) -> Iterator[list[Callable[[str], Counterparts]]]:
    """For each definition and grouping, what stands beside the share of a group.

    What is expected without treatment the untreated cases of the same group tell, or all of them where the grouping is
    not about the child; the growth reference where those are too few or are the cases asked about.
    """
    untreated: list[list[Tallies]] = [[{} for _ in ways] for _ in definitions]
    alike = [way if way and way.name in _OF_CHILDREN else None for way in ways]
    if selection.comparison == "treated" and ways:
        untreated = _tallies(reader, definitions, untreated_alike(selection), alike)
    for definition, tallies in zip(definitions, untreated, strict=True):
        known = BesideShares(reader, definition, selection, level).by(ways) if ways else []
        held = zip(known, tallies, alike, strict=True)
        yield [partial(_beside_of, one, found, way is None, level) for one, found, way in held]


def _beside_of(
    known: Mapping[str, Counterparts], untreated: Tallies, is_whole: bool, level: float, group: str
) -> Counterparts:
    beside = known.get(group, NOTHING_BESIDE)
    tally = untreated.get(ALL if is_whole else group, Tally())
    told = from_untreated(tally.adverse, tally.counted, level=level)
    return replace(beside, expected=told) if told else beside


def _rows(
    reader: Reader,
    definition: Definition,
    way: Grouping | None,
    found: Tallies,
    beside: Callable[[str], Counterparts],
    turned_away: Count,
    *,
    method: ProportionMethod,
    level: float,
) -> Iterator[GroupRow]:
    sizes = {group: sum(tally.steps.values()) for group, tally in found.items()}
    for group in in_order(way, sizes) if way else [ALL]:
        tally = found.get(group, Tally())
        stages = stage_counts(tally.steps)
        turned = Count.of(tally.favourable) if definition.has_other_way else None
        row = group_row(
            group,
            group_label(reader, way, group) if way else group,
            started=stages[0].cases,
            finished=stages[1].cases,
            counted=stages[-1].cases,
            adverse=Count.of(tally.adverse),
            missing=Count.of(sum(loss.cases.n for stage in stages for loss in stage.losses if loss.is_due)),
            favourable=turned,
            favourable_of=Count.of(tally.could_turn) if turned and definition.single_change is None else None,
            beside=replace(beside(group), all_started=_all_started(tally, level)),
            turned_away=Count.of(turned_away_cases(reader, (group,)))
            if way and way.name == "practice"
            else turned_away,
            stages=stages,
            method=method,
            level=level,
        )
        yield replace(row, rate=replace(row.rate, warnings=(*row.rate.warnings, *_mixed(tally))))


def _all_started(tally: Tally, level: float) -> Estimate | None:
    """Share adverse among all whose outcome is known; None where nobody is known beside the cases counted."""
    if tally.known == tally.counted:
        return None
    share = proportion(tally.known_adverse, tally.known, level=level, estimand=ALL_STARTED)
    return replace(share, warnings=())


def _mixed(tally: Tally) -> Iterator[Caution]:
    """What else than growth and treatment is in the changes counted."""
    if tally.operated:
        yield Caution("approximation", "operated_counted", {"n": tally.operated})
    if tally.two_examiners:
        yield Caution("approximation", "two_examiners", {"n": tally.two_examiners})


def _tallies(
    reader: Reader, definitions: Sequence[Definition], selection: Selection, ways: Ways
) -> list[list[Tallies]]:
    """For each definition and grouping, what a group holds; such as have every case once are counted together."""
    single = [place for place, way in enumerate(ways) if way is None or way.column]  # every case is in one group
    found: dict[str, list[Tallies]] = {one.id: [{} for _ in ways] for one in definitions}
    for places in ([single] if single else []) + [[place] for place in range(len(ways)) if place not in single]:
        asked = [ways[at] for at in places]
        for definition, place, group, step, (n, *sums) in _counted(reader, definitions, selection, asked):
            tally = found[definition][places[place]].setdefault(group, Tally())
            tally.steps[step] = n
            for name, added in zip(_SUMMED, sums, strict=True):
                setattr(tally, name, getattr(tally, name) + added)
    return list(found.values())


def _counted(
    reader: Reader, definitions: Sequence[Definition], selection: Selection, ways: Ways
) -> Iterator[tuple[str, int, str, str, list[int]]]:
    """Definition, place of the grouping, group, step; cases, and of them the sums of a tally."""
    condition, values = selection.where()
    groups = [f"grouped_{place}" for place in range(len(ways))]
    columns = {group: way.column or "appliance" for group, way in zip(groups, ways, strict=True) if way}
    query = statement(
        __package__,
        "counted.sql",
        groups=", ".join(groups),
        counted=str(COUNTED),
        named=", ".join(f"{named_group(one) if one in columns else text(ALL)} as {one}" for one in groups),
        columns="".join(f"{column} as {group}, " for group, column in columns.items()),
        columns_alone="".join(f"{column}, " for column in columns.values()),
        outcomes=outcomes_of(*definitions),
        memberships=membership_join(ways[0]) if ways[0] else "",
        condition=condition,
        sets=", ".join(f"({group}, definition_id, step_no)" for group in groups),
    )
    steps = list(STEPS)
    for row in reader.connection.rows(query, values):
        definition, *counts = row[len(ways) :]
        step, *sums = map(int, counts)
        ((place, group),) = ((place, mark) for place, mark in enumerate(row[: len(ways)]) if mark is not None)
        yield definition, place, group, steps[step], sums


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


def beside_as_data(beside: Counterparts) -> dict[str, Any]:
    """What stands beside a share, as data."""
    expected, corrected = beside.expected, beside.corrected
    return {
        "expected_untreated": expected
        and {"share": expected.share.value, "interval": expected.share.interval, "from": expected.source},
        "error_corrected": corrected
        and {
            "share": corrected.share.value,
            "interval": corrected.share.interval,
            "pairs": corrected.pairs,
            "pairs_taken_again": corrected.taken_again,
            "warnings": list(corrected.cautions),
        },
        "all_started": beside.all_started,
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
        "n_favourable_of": group.favourable_of.value if group.favourable_of else None,
        "share_favourable": group.share_favourable,
        "net": group.net,
        **beside_as_data(group.beside),
        "if_none_of_the_missing": group.if_none.value,
        "if_all_of_the_missing": group.if_all.value,
        "level": result.level,
        "method": result.method,
        "warnings": list(group.warnings),
    }


def redefined(
    reader: Reader, *, one: Definition, now: Definition, selection: Selection, also: Selection | None = None
) -> tuple[int, int, int]:
    """Cases counted under both definitions; of these, adverse under ``one`` alone, and under ``now`` alone.

    With ``also``, of the cases that are in both selections.
    """
    condition, values = _in_both(selection, also)
    tables = {"first": f"({outcomes_statement([one])})", "second": f"({outcomes_statement([now])})"}
    query = statement("warehouse.questions", "redefined.sql", **tables, condition=condition)
    ((both, turned, back),) = reader.connection.rows(query, values)
    return int(both), int(turned), int(back)


def _in_both(selection: Selection, also: Selection | None) -> tuple[str, list[object]]:
    wheres = [one.where() for one in (selection, also) if one]
    return " and ".join(f"({condition})" for condition, _ in wheres), [
        value for _, values in wheres for value in values
    ]


def in_both(reader: Reader, *, selection: Selection, also: Selection, one: str, now: str) -> tuple[int, int, int, int]:
    """Cases started that are in both selections, and of these what :func:`redefined` gives for two definitions' ids."""
    condition, values = _in_both(selection, also)
    ((n,),) = reader.connection.rows(f"select count(*) from mart_cases where {condition}", values)
    first, second = reader.definition(one), reader.definition(now)
    return int(n), *redefined(reader, one=first, now=second, selection=selection, also=also)


def apart(first: Rates, second: Rates) -> Estimate:
    """How far the shares of two selections lie apart, first minus second; it holds where no case is in both."""
    counts = [count.n for one in (first, second) for count in (one.groups[0].adverse, one.groups[0].counted)]
    return risk_difference(*counts)
