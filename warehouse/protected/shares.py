"""Shares for those who may not see small counts: tables made fit to leave, and intervals of what is left.

The headline definition on consecutive treated cases, over all and by one grouping. Filters are not offered: tables
about overlapping sets of cases could be subtracted from each other. Two groupings are not crossed for the same reason.
The counts are those a document made to leave would show (:mod:`warehouse.protected.counts`).
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType

from warehouse.disclosure import Policy, Release
from warehouse.errors import RequestError
from warehouse.marts.reader import Reader
from warehouse.protected.counts import Counted, Published
from warehouse.questions.shares import Rates
from warehouse.selection import listed

OFFERED = tuple(variable.name for variable in listed("protected"))
"""Groupings a protected table may have: every case is in one group, and groups are few."""


def published(
    reader: Reader,
    by: str | None = None,
    scope: Mapping[str, tuple[str, ...]] = MappingProxyType({}),
    earlier: Sequence[Release] = (),
) -> Published:
    """What is published of all cases together, and by one of ``OFFERED`` (else RequestError).

    It is checked against what left before (``earlier``) about the cases that ``scope`` names.
    """
    if by is not None and by not in OFFERED:
        found = f"no protected table is made by {by!r}"
        raise RequestError(found, expected=", ".join(OFFERED), remedy="ask for one of these")
    counted = Counted.read(reader, () if by is None else (by,), beside=() if by else (None,))
    return Published(counted, Policy(), scope, earlier)


def as_shown(found: Published) -> Rates:
    """The shares by the grouping published, over all where there is none, safe where small counts are hidden."""
    flow, policy, notes = found.flow(), found.policy, found.frame.notes
    if not found.tables:
        return replace(found.counted.overall, groups=(found.overall(),), flow=flow, policy=policy, notes=notes)
    (result,), (table,) = found.counted.by, found.tables
    notes = table.notes if table is not None else notes
    return replace(result, groups=found.rows(0), flow=flow, policy=policy, notes=notes)
