"""How cases are grouped for a comparison, which groups a grouping can have, and what they are called."""

from collections.abc import Iterable

from warehouse.errors import RequestError, near_names
from warehouse.marts.reader import Reader
from warehouse.marts.statements import APPLIANCES
from warehouse.selection import Variable, listed
from warehouse.store.quoting import text

NOT_KNOWN = "not known"

Grouping = Variable  # one way of grouping cases: by a variable

GROUPINGS: dict[str, Grouping] = {variable.name: variable for variable in listed("groupings")}


def grouping(name: str) -> Grouping:
    """The grouping called ``name``. Raises RequestError: there is none; near names are offered."""
    found = GROUPINGS.get(name)
    if found is None:
        message = f"cases cannot be grouped by {name!r}"
        raise RequestError(message, expected=", ".join(GROUPINGS), remedy=near_names(name, GROUPINGS))
    return found


def group_expression(way: Grouping) -> str:
    """SQL for the group of a case of ``mart_cases``; for several memberships, of the joined ``memberships``."""
    return "memberships.appliance" if way.column is None else named_group(f"mart_cases.{way.column}")


def named_group(column: str) -> str:
    """SQL for the name of a group from what it is grouped by."""
    return f"coalesce(cast({column} as varchar), {text(NOT_KNOWN)})"


def membership_join(way: Grouping) -> str:
    """SQL that lets a case belong to several groups, or nothing."""
    if way.column is not None:
        return ""
    values = ", ".join(f"({text(appliance)})" for appliance in APPLIANCES)
    return (
        f" inner join (values {values}) as memberships(appliance)"
        " on ' + ' || mart_cases.appliance_ever || ' + ' like '% + ' || memberships.appliance || ' + %'"
    )


def in_order(way: Grouping, groups: dict[str, int]) -> list[str]:
    """Group names (name -> size) in the fixed order, then by size; numbers (years) by value; "not known" last."""
    fixed = [group for group in way.order if group in groups]
    others = [group for group in groups if group not in fixed and group != NOT_KNOWN]
    numeric = bool(others) and all(group.isdigit() for group in others)
    others.sort(key=(lambda group: (int(group), group)) if numeric else (lambda group: (-groups[group], group)))
    return [*fixed, *others, *([NOT_KNOWN] if NOT_KNOWN in groups else [])]


DECIDED_LATER = ("appliance_sequence", "appliance_group", "appliance_ever", "extraction", "extraction_pattern")
"""Groupings made by what was decided in the course of treatment: two phases, ever used, extraction without a date."""

DATED = DECIDED_LATER[:3]
"""Those of them whose decisions have a date, so that groups can be taken as they were known at a landmark time."""

_CLOSED: dict[str, tuple[str, ...]] = {
    **{name: way.values for name, way in GROUPINGS.items() if way.values},
    "appliance_ever": APPLIANCES,
    "appliance_group": (*APPLIANCES, "two_phase"),
}
"""Groupings whose groups are known beforehand; those of the others come from the data."""


def is_ordered(way: Grouping) -> bool:
    """Whether the groups have an order over which a trend means something."""
    return way.is_scale or way.name == "start_year"


def check_group(by: str, code: str, *, present: Iterable[str] = ()) -> str:
    """The code of a group, as it stands.

    ``by``: The grouping. ``code``: The group asked for. ``present``: Groups that occur in the data; needed for
    groupings whose groups are not known beforehand. Raises RequestError: the grouping has no such group, as far as that
    can be told; near names are offered.
    """
    way, found = grouping(by), list(present)
    known = list(filter(is_known, (*_CLOSED.get(by, ()), *found)))
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
    return reader.label(way.codes, code)


def single_grouping(by: str) -> Grouping:
    """The grouping, if it puts every case into one group.

    Raises RequestError: there is none of that name, or a case can be in several of its groups.
    """
    way = grouping(by)
    if way.column is None:
        found = f"{by} lets a case be in several groups, which this comparison cannot take"
        raise RequestError(found, expected="a grouping in which a case has one group", remedy="use appliance_category")
    return way
