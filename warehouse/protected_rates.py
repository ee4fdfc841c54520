"""Shares for those who may not see small counts: tables made fit to leave, and intervals of what is left.

The headline definition on consecutive treated cases, over all and by one grouping. Filters are not offered: tables
about overlapping sets of cases could be subtracted from each other. Two groupings are not crossed for the same reason.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

from warehouse.analysis.proportion import proportion
from warehouse.disclosure import Dimension, Layout, Policy, ProtectedTable, Table, protect
from warehouse.errors import RequestError
from warehouse.rates import rates
from warehouse.results import Estimate, no_estimate

if TYPE_CHECKING:
    from warehouse.disclosure import Cell
    from warehouse.grouping import Grouping
    from warehouse.outcomes.definition import Definition
    from warehouse.rates import GroupRate, Rates
    from warehouse.reader import Reader
    from warehouse.selection import Selection

OFFERED = ("appliance_category", "age_band", "extraction", "sex", "vertical_type", "growth_stage", "practice")
"""Groupings a protected table may have: every case is in one group, and groups are few."""

ALL = "all"
ADVERSE = "adverse"
COUNTED = "counted"
STARTED = "started"


@dataclass(frozen=True, slots=True, kw_only=True)
class ProtectedGroup:
    """One group as it may be shown; ``rate`` has no value where a count it rests on is hidden."""

    group: str
    label: str
    n_assessable: Cell
    n_adverse: Cell
    rate: Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class ProtectedRates:
    """Shares under the headline definition, with small counts hidden.

    Attributes:
        groups: One a group, or a single one for all cases.
        n_started: Cases started, over all, as shown.
        notes: What is hidden, and how, in sentences to print below.
        minimum: Smallest count shown.
    """

    definition: Definition
    growth_reference: str
    build: str
    selection: Selection
    by: Grouping | None
    level: float
    groups: tuple[ProtectedGroup, ...]
    n_started: Cell
    notes: tuple[str, ...]
    minimum: int


def protected_rates(reader: Reader, *, by: str | None = None, policy: Policy | None = None) -> ProtectedRates:
    """The share adverse over all, or by one grouping, fit for those who may not see small counts.

    Args:
        reader: An open snapshot.
        by: One of ``OFFERED``, or None.
        policy: What may be shown; 1 to 4 are hidden where None.

    Raises:
        RequestError: The grouping is not offered.
    """
    if by is not None and by not in OFFERED:
        found = f"no protected table is made by {by!r}"
        raise RequestError(found, expected=", ".join(OFFERED), remedy="ask for one of these")
    rule = policy or Policy()
    overall = rates(reader)
    frame = protect(_frame_table(overall), rule)
    result, table = overall, frame
    groups = [_group(overall.groups[0], frame, (), overall.level)]
    if by is not None:
        result = rates(reader, by=by)
        table = protect(_group_table(result), rule, earlier=(frame.release,) if not frame.refused else ())
        groups = [_group(group, table, (group.group,), result.level) for group in result.groups]
    return ProtectedRates(
        definition=result.definition,
        growth_reference=result.growth_reference,
        build=result.build,
        selection=result.selection,
        by=result.by,
        level=result.level,
        groups=tuple(groups),
        n_started=frame.cell(STARTED),
        notes=tuple(dict.fromkeys((*frame.notes, *table.notes))),
        minimum=rule.minimum,
    )


def _frame_table(overall: Rates) -> Table:
    """Started, counted, adverse. The stages between are left out: each step is small and would hide the others."""
    (group,) = overall.groups
    last = {
        "not counted": group.n_started - group.n_assessable,
        "not adverse": group.n_assessable - group.n_adverse,
        ADVERSE: group.n_adverse,
    }
    members = {STARTED: tuple(last), COUNTED: ("not adverse", ADVERSE), ADVERSE: (ADVERSE,)}
    layout = Layout((Dimension("reached", MappingProxyType(members)),))
    return Table("all cases", layout, {(value,): n for value, n in last.items()})


def _group_table(result: Rates) -> Table:
    if result.by is None:  # pragma: no cover - only called for groupings
        message = "a table by group needs a grouping"
        raise TypeError(message)
    reached = Dimension(
        "reached", MappingProxyType({COUNTED: ("not adverse", ADVERSE), ADVERSE: (ADVERSE,)}), complete=False
    )
    counts: dict[tuple[str, ...], int] = {}
    for group in result.groups:
        counts[group.group, ADVERSE] = group.n_adverse
        counts[group.group, "not adverse"] = group.n_assessable - group.n_adverse
    names = [group.group for group in result.groups]
    layout = Layout((Dimension.of(result.by.name, names, total=ALL), reached))
    return Table(result.by.name, layout, counts)


def _group(group: GroupRate, table: ProtectedTable, key: tuple[str, ...], level: float) -> ProtectedGroup:
    counted, adverse = table.cell(*key, COUNTED), table.cell(*key, ADVERSE)
    return ProtectedGroup(
        group=group.group,
        label=group.label,
        n_assessable=counted,
        n_adverse=adverse,
        rate=_rate(adverse.value, counted.value, level),
    )


def _rate(n_adverse: int | None, n: int | None, level: float) -> Estimate:
    if n_adverse is None or n is None:
        reason = "Withheld: it rests on a count that is not shown."
        return no_estimate(estimand="share adverse", method="none", n=0, reason=reason, kind="withheld")
    return proportion(n_adverse, n, level=level)
