"""Names of groups: which a grouping can have, and which of them are there."""

from __future__ import annotations

from typing import TYPE_CHECKING

from warehouse.errors import RequestError, near_names
from warehouse.marts.grouping import GROUPINGS, NOT_KNOWN, grouping
from warehouse.marts.statements import APPLIANCES

if TYPE_CHECKING:
    from collections.abc import Iterable

    from warehouse.marts.grouping import Grouping
    from warehouse.marts.reader import Reader

_ORDERED = ("age_band", "vertical_type", "growth_stage", "start_year")
_IN_ORDER = ("age_band", "extraction", "vertical_type", "growth_stage", "incisor_class")
_CLOSED: dict[str, tuple[str, ...]] = {
    **{name: GROUPINGS[name].order for name in _IN_ORDER},
    "sex": ("female", "male", "other"),
    "appliance_category": APPLIANCES,
    "appliance_ever": APPLIANCES,
    "appliance_group": (*APPLIANCES, "two_phase"),
}
"""Groupings whose groups are known beforehand; those of the others come from the data."""


def is_ordered(way: Grouping) -> bool:
    """Whether the groups have an order over which a trend means something."""
    return way.name in _ORDERED


def check_group(by: str, code: str, *, present: Iterable[str] = ()) -> str:
    """The code of a group, as it stands.

    Args:
        by: The grouping.
        code: The group asked for.
        present: Groups that occur in the data; needed for groupings whose groups are not known beforehand.

    Raises:
        RequestError: The grouping has no such group, as far as that can be told; near names are offered.
    """
    way, found = grouping(by), list(present)
    known = [*_CLOSED.get(by, ()), *filter(is_known, found)]
    is_open = by not in _CLOSED and not found
    if code in known or is_open:
        return code
    message = f"{way.title.lower()} has no group {code!r}"
    listed = list(dict.fromkeys(known))
    remedy = near_names(code, listed) or "see `menton rate --by " + by + " --json` for the groups"
    raise RequestError(message, expected=", ".join(listed), remedy=remedy)


def is_known(code: str) -> bool:
    """Whether a group is one: cases whose group is not known, or whose sex is called unknown, are no group."""
    return code not in {NOT_KNOWN, "unknown"}


def group_label(reader: Reader, way: Grouping, code: str) -> str:
    """The name of a group on screens."""
    return reader.label(way.codes, code) if way.codes else code


def single_grouping(by: str) -> Grouping:
    """The grouping, if it puts every case into one group.

    Raises:
        RequestError: There is none of that name, or a case can be in several of its groups.
    """
    way = grouping(by)
    if way.column is None:
        found = f"{by} lets a case be in several groups, which this comparison cannot take"
        raise RequestError(found, expected="a grouping in which a case has one group", remedy="use appliance_category")
    return way
