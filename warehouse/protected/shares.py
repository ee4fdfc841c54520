"""Shares for those who may not see small counts: tables made fit to leave, and intervals of what is left.

The headline definition on consecutive treated cases, over all and by one grouping. Filters are not offered: tables
about overlapping sets of cases could be subtracted from each other. Two groupings are not crossed for the same reason.
The counts are those a document made to leave would show (:mod:`warehouse.protected.counts`).
"""

from dataclasses import replace

from warehouse.disclosure import Policy
from warehouse.errors import RequestError
from warehouse.marts.reader import Reader
from warehouse.protected.counts import Counted, Published
from warehouse.questions.shares import Rates
from warehouse.selection import listed

OFFERED = tuple(variable.name for variable in listed("protected"))
"""Groupings a protected table may have: every case is in one group, and groups are few."""


def protected_rates(reader: Reader, *, by: str | None = None) -> Rates:
    """The share adverse over all, or by one of ``OFFERED`` (else RequestError), safe where small counts are hidden."""
    if by is not None and by not in OFFERED:
        found = f"no protected table is made by {by!r}"
        raise RequestError(found, expected=", ".join(OFFERED), remedy="ask for one of these")
    counted = Counted.read(reader, () if by is None else (by,), beside=() if by else (None,))
    published = Published(counted, Policy(), {}, ())
    flow, policy = published.flow(), published.policy
    if by is None:
        row = published.overall()
        return replace(counted.overall, groups=(row,), flow=flow, policy=policy, notes=published.frame.notes)
    (result,), (table,) = counted.by, published.tables
    notes = table.notes if table is not None else published.frame.notes
    return replace(result, groups=published.rows(0), flow=flow, policy=policy, notes=notes)
