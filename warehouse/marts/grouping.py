"""How cases are grouped for a comparison."""

from __future__ import annotations

from warehouse.errors import RequestError, near_names
from warehouse.marts.statements import APPLIANCES
from warehouse.selection import Variable, listed
from warehouse.store.quoting import text

NOT_KNOWN = "not known"

Grouping = Variable
"""One way of grouping cases: by a variable."""

GROUPINGS: dict[str, Grouping] = {variable.name: variable for variable in listed("groupings")}


def grouping(name: str) -> Grouping:
    """The grouping called ``name``.

    Raises:
        RequestError: There is none; near names are offered.
    """
    found = GROUPINGS.get(name)
    if found is None:
        message = f"cases cannot be grouped by {name!r}"
        raise RequestError(message, expected=", ".join(GROUPINGS), remedy=near_names(name, GROUPINGS))
    return found


def group_expression(way: Grouping) -> str:
    """SQL for the group of a case of ``mart_cases``; for several memberships, of the joined ``memberships``."""
    if way.column is None:
        return "memberships.appliance"
    return f"coalesce(cast(mart_cases.{way.column} as varchar), {text(NOT_KNOWN)})"


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
