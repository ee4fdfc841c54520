"""The tables of a group: results in all, and counted and adverse cases by practice or by a variable.

Two tables about the same cases meet only in their totals, the cases with each result: any two tables with the same
totals fit some set of cases. So a breakdown has to be checked against the totals and against earlier tables by the same
variable, but not against breakdowns by other variables. That holds while the totals are known. Where they are hidden,
no breakdown is given at all; where they are rounded, all tables of an outcome are checked together. Outcomes of
which one implies the other are refused by the agreement.
"""

from collections.abc import Mapping, Sequence
from types import MappingProxyType

from warehouse.disclosure import Dimension, Layout, ProtectedTable, Release, Table
from warehouse.disclosure.hierarchy import Hierarchy
from warehouse.disclosure.knowledge import knowledge_of, row_of, space_for
from warehouse.disclosure.system import extreme
from warehouse.pooled.variables import ADVERSE, NOT_ADVERSE, RESULTS

ALL = "all"
STARTED = "started"
COUNTED = "counted"
TOTALS = "totals"
SCOPE = "cases of"
"""The variable that tells apart which cases a table is about: versions of cases, or contributions."""

_IN_ALL = {STARTED: RESULTS, COUNTED: (ADVERSE, NOT_ADVERSE)} | {result: (result,) for result in RESULTS}
_IN_PART = {COUNTED: (ADVERSE, NOT_ADVERSE), ADVERSE: (ADVERSE,)}

Counts = tuple[int, int]  # adverse, counted


def result_variable(outcome: str) -> str:
    """The name of the result dimension under a definition."""
    return f"result {outcome}"


def totals_name(outcome: str) -> str:
    """Name of the table of all results."""
    return f"{outcome} {TOTALS}"


def breakdown_name(outcome: str, by: str) -> str:
    """Name of a breakdown."""
    return f"{outcome} by {by}"


def totals_layout(outcome: str, scope: Sequence[str]) -> Layout:
    """Layout of the table of all results."""
    results = Dimension(result_variable(outcome), MappingProxyType(_IN_ALL))
    return Layout((results,), MappingProxyType({SCOPE: tuple(scope)}))


def totals_table(outcome: str, results: Mapping[str, int], *, scope: Sequence[str]) -> Table:
    """Cases with each result (result -> n)."""
    counts: dict[tuple[str, ...], int] = {(result,): results.get(result, 0) for result in RESULTS}
    return Table(totals_name(outcome), totals_layout(outcome, scope), counts)


def breakdown_layout(
    outcome: str, by: str, members: Mapping[str, tuple[str, ...]], *, scope: Sequence[str], complete: bool = True
) -> Layout:
    """Layout of counted and adverse cases by a variable, with a total.

    ``members``: Group -> base values. ``scope``: The cases meant; empty where the variable says which (practices).
    ``complete``: Whether every case has a base value.
    """
    everything = tuple(value for values in members.values() for value in values)
    shown = {**members, ALL: everything} if len(members) > 1 else dict(members)
    dimensions = (
        Dimension(by, MappingProxyType(shown), complete),
        Dimension(result_variable(outcome), MappingProxyType(_IN_PART), complete=False),
    )
    return Layout(dimensions, MappingProxyType({SCOPE: tuple(scope)} if scope else {}))


def breakdown_table(outcome: str, by: str, counts: Mapping[str, Counts], layout: Layout) -> Table:
    """Counted and adverse cases (base value -> adverse, counted)."""
    cells: dict[tuple[str, ...], int] = {}
    for value, (adverse, counted) in counts.items():
        cells[value, ADVERSE] = adverse
        cells[value, NOT_ADVERSE] = counted - adverse
    return Table(breakdown_name(outcome, by), layout, cells)


def members_at(hierarchy: Hierarchy, level: int) -> dict[str, tuple[str, ...]]:
    """Group -> base values at a level of a variable, in the order of the base values."""
    found: dict[str, tuple[str, ...]] = {}
    for value in hierarchy.base:
        label = hierarchy.levels[level][value]
        found[label] = (*found.get(label, ()), value)
    return found


def merged(counts: Mapping[str, Counts], mapping: Mapping[str, str]) -> dict[str, Counts]:
    """Counts by label, summed under coarser labels (label -> coarser label)."""
    found: dict[str, Counts] = dict.fromkeys(mapping.values(), (0, 0))
    for label, (adverse, counted) in counts.items():
        already = found[mapping[label]]
        found[mapping[label]] = (already[0] + adverse, already[1] + counted)
    return found


def coarser(hierarchy: Hierarchy, fine: int, coarse: int) -> dict[str, str]:
    """Label at the finer level -> label at the coarser one."""
    return {hierarchy.levels[fine][value]: hierarchy.levels[coarse][value] for value in hierarchy.base}


def agree(releases: Sequence[Release]) -> bool:
    """Whether some set of cases could be counted as all of these tables count it."""
    space = space_for(releases)
    row = row_of(releases[-1].layout, next(iter(releases[-1].cells)), space)
    return extreme(knowledge_of(releases, space), row, largest=False) is not None


def is_about(release: Release, outcome: str) -> bool:
    """Whether a table of a group is about an outcome."""
    return release.name.partition(" ")[0] == outcome


def family(releases: Sequence[Release], outcome: str, *names: str) -> list[Release]:
    """Earlier releases that a table must be checked against: all totals of the outcome, and tables of these names."""
    wanted = {totals_name(outcome), *(breakdown_name(outcome, name) for name in names)}
    return [one for one in releases if one.name in wanted]


def totals_known(table: ProtectedTable) -> bool:
    """Whether the totals that a breakdown would show again are not hidden."""
    return not table.refused and all(table.cell(name).state == "shown" for name in (COUNTED, ADVERSE, NOT_ADVERSE))
