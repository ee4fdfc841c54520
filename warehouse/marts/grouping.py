"""How cases are grouped for a comparison."""

from __future__ import annotations

from dataclasses import dataclass

from warehouse.errors import RequestError, near_names
from warehouse.marts.statements import APPLIANCES
from warehouse.store.quoting import text

NOT_KNOWN = "not known"

AGE_BANDS = ("under 8", "8-9", "10-11", "12-13", "14-17", "18 and over")
VERTICAL_TYPES = ("low", "average", "high")


@dataclass(frozen=True, slots=True, kw_only=True)
class Grouping:
    """One way of grouping cases."""

    name: str  # As asked for
    title: str  # As shown
    column: str | None  # Column of mart_cases, or None for membership in several groups (appliance ever used)
    codes: str = ""  # Code list its values come from, for labels; "" where values speak for themselves
    order: tuple[str, ...] = ()  # Fixed order of groups; others follow by size, never by rate
    note: str = ""  # A remark to show with the figure


_LISTED = (
    Grouping(
        name="appliance_category",
        title="Appliance category (first phase)",
        column="appliance_first",
        codes="appliance_category",
        note="Grouped by the appliance of the first phase. The sequence of appliances, and every appliance ever used,"
        " are groupings of their own.",
    ),
    Grouping(
        name="appliance_sequence",
        title="Appliance sequence (all phases in order)",
        column="appliance_sequence",
        codes="appliance_category",
    ),
    Grouping(
        name="appliance_group",
        title="Appliance category (two-phase treatments together)",
        column="appliance_group",
        codes="appliance_category",
    ),
    Grouping(
        name="appliance_ever",
        title="Appliance ever used",
        column=None,
        codes="appliance_category",
        note="A case with several appliances counts in several groups: the groups add up to more than all cases.",
    ),
    Grouping(name="age_band", title="Age at start", column="age_band", order=AGE_BANDS),
    Grouping(name="extraction", title="Extraction status", column="extraction", order=("non-extraction", "extraction")),
    Grouping(name="extraction_pattern", title="Extraction pattern", column="extraction_pattern", order=("none",)),
    Grouping(name="sex", title="Sex", column="sex", codes="sex", order=("female", "male")),
    Grouping(name="vertical_type", title="Vertical type at start", column="vertical_type_start", order=VERTICAL_TYPES),
    Grouping(
        name="growth_stage",
        title="Growth stage at start",
        column="growth_stage",
        order=("before the growth spurt", "around the growth spurt", "after the growth spurt"),
    ),
    Grouping(
        name="incisor_class",
        title="Incisor class at start",
        column="incisor_class",
        codes="incisor_class",
        order=("I", "II/1", "II/2", "III"),
    ),
    Grouping(name="start_year", title="Year of start", column="start_year"),
    Grouping(name="practice", title="Practice", column="practice"),
    Grouping(name="clinician", title="Clinician", column="clinician"),
)
GROUPINGS: dict[str, Grouping] = {grouping.name: grouping for grouping in _LISTED}


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
