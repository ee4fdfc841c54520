"""Shares for those who may not see small counts: tables made fit to leave, and intervals of what is left.

The headline definition on consecutive treated cases, over all and by one grouping. Filters are not offered: tables
about overlapping sets of cases could be subtracted from each other. Two groupings are not crossed for the same reason.
The counts are those a document made to leave would show (:mod:`warehouse.protected.counts`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from warehouse.analysis.proportion import proportion
from warehouse.disclosure import Policy
from warehouse.errors import RequestError
from warehouse.protected.counts import ADVERSE, COUNTED, Counted, Published
from warehouse.questions.shares import rates_by
from warehouse.questions.threshold import counted_changes, threshold_curve
from warehouse.results import Estimate, no_estimate
from warehouse.variables import listed

if TYPE_CHECKING:
    from warehouse.disclosure import Count
    from warehouse.marts.grouping import Grouping
    from warehouse.marts.reader import Reader
    from warehouse.outcomes.definition import Definition
    from warehouse.questions.shares import GroupRate
    from warehouse.selection import Selection

OFFERED = tuple(variable.name for variable in listed("protected"))
"""Groupings a protected table may have: every case is in one group, and groups are few."""

STARTED = "started"


@dataclass(frozen=True, slots=True, kw_only=True)
class ProtectedGroup:
    """One group as it may be shown; ``rate`` has no value where a count it rests on is hidden."""

    group: str
    label: str
    n_assessable: Count
    n_adverse: Count
    rate: Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class ProtectedRates:
    """Shares under the headline definition, with small counts hidden."""

    definition: Definition
    growth_reference: str
    build: str
    selection: Selection
    by: Grouping | None
    level: float
    groups: tuple[ProtectedGroup, ...]  # One a group, or a single one for all cases
    n_started: Count  # Cases started, over all, as shown
    notes: tuple[str, ...]  # What is hidden, and how, in sentences to print below
    minimum: int  # Smallest count shown


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
    overall, *others = rates_by(reader, (None,) if by is None else (None, by))
    values = counted_changes(reader, overall.definition, overall.selection)
    counted = Counted(
        overall=overall, by=tuple(others), threshold=threshold_curve(reader, changes=values), values=values
    )
    published = Published(counted, rule, {}, ())
    result, notes = overall, published.frame.notes
    groups = [_group(overall.groups[0], published.count(COUNTED), published.count(ADVERSE), overall.level)]
    if by is not None:
        (result,), (table,) = others, published.tables
        groups = [_group(group, *published.pair(0, group.group), result.level) for group in result.groups]
        notes = table.notes if table is not None else notes
    return ProtectedRates(
        definition=result.definition,
        growth_reference=result.growth_reference,
        build=result.build,
        selection=result.selection,
        by=result.by,
        level=result.level,
        groups=tuple(groups),
        n_started=published.count(STARTED),
        notes=notes,
        minimum=rule.minimum,
    )


def _group(group: GroupRate, counted: Count, adverse: Count, level: float) -> ProtectedGroup:
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
