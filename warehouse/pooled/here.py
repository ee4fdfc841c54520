"""The practices of one warehouse beside each other, unnamed and in order of size, for its coordinator and for them.

The counts are those of the protected table by practice, whoever looks, so that this picture shows nothing that table
hides; and of hidden ones there are three at least, since practices look at it that know their own. Headline definition,
consecutive treated cases, no filter: see ``warehouse.protected_rates``.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

from warehouse.pooled.practices import Practice, for_each_other, left_out_notes
from warehouse.pooled.ranges import Range, exactly
from warehouse.pooled.shares import share_pool, tag_of
from warehouse.protected_rates import protected_rates

if TYPE_CHECKING:
    from collections.abc import Mapping

    from warehouse.pooled.result import SharePool
    from warehouse.protected_rates import ProtectedGroup, ProtectedRates
    from warehouse.reader import Reader

FEWEST = 3
"""Fewest practices behind a picture: of two, each could take its own counts from the total."""


@dataclass(frozen=True, slots=True)
class Here:
    """The practices of a warehouse.

    Attributes:
        rates: The protected table they were read from.
        pool: Their shares together.
        tags: Practice -> the tag of its line. It stays on the server: a viewer is told of his own line only.
    """

    rates: ProtectedRates
    pool: SharePool
    tags: Mapping[str, str]


def practices_here(reader: Reader, *, level: float = 0.95) -> Here:
    """The share adverse practice by practice, pooled.

    Args:
        reader: An open snapshot.
        level: Level of all intervals.
    """
    found = protected_rates(reader, by="practice")
    left_out: Counter[str] = Counter()
    practices = [one for group in found.groups if (one := _practice(group, found.minimum, left_out)) is not None]
    (together,) = protected_rates(reader).groups
    total = None if left_out["its counts are hidden"] else together.n_adverse.value
    pool = share_pool(
        for_each_other(practices, total),
        found.definition,
        totals=(("started", found.n_started.shown),),
        notes=(*left_out_notes(left_out), *found.notes),
        fewest=FEWEST,
        salt=found.build,
        level=level,
    )
    tags = {group.group: tag_of(group.group, found.build) for group in found.groups}
    return Here(found, pool, MappingProxyType(tags))


def _practice(group: ProtectedGroup, minimum: int, left_out: Counter[str]) -> Practice | None:
    counted, adverse = group.n_assessable, group.n_adverse
    if counted.value is None:
        left_out["its counts are hidden"] += 1
        return None
    if counted.value == 0:
        left_out["no case counted"] += 1
        return None
    if adverse.value is not None:
        known = exactly(min(adverse.value, counted.value))
    else:
        most = minimum - 1 if adverse.state == "small" else counted.value
        known = Range(1, min(most, counted.value))
    return Practice(group.group, known, exactly(counted.value), adverse.shown, counted.shown)
