"""What cases can be filtered by, and which filter to let go of when none is left."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from warehouse.marts.grouping import AGE_BANDS, GROUPINGS, NOT_KNOWN, VERTICAL_TYPES
from warehouse.selection import FILTERS

if TYPE_CHECKING:
    from collections.abc import Mapping

    from warehouse.marts.reader import Reader
    from warehouse.selection import Selection

_CODES = {"appliance": "appliance_category", "sex": "sex", "incisor_class": "incisor_class"}
_ORDERS = {"age_band": AGE_BANDS, "vertical_type": VERTICAL_TYPES, "growth_stage": GROUPINGS["growth_stage"].order}


@dataclass(frozen=True, slots=True)
class FilterValues:
    """One filter: its name, its title on screens, and value -> label in the order shown."""

    name: str
    title: str
    values: Mapping[str, str]


def filter_values(reader: Reader, *, selection: Selection) -> tuple[FilterValues, ...]:
    """Every filter with the values that the cases selected have; a filter with a single value filters nothing."""
    condition, parameters = selection.where()
    found = []
    for name, column in FILTERS.items():
        rows = reader.connection.rows(
            f"select distinct coalesce(cast(mart_cases.{column} as varchar), '{NOT_KNOWN}') from mart_cases"
            f" where {condition}",
            parameters,
        )
        values = _in_order(name, [value for (value,) in rows])
        labels = {value: reader.label(_CODES.get(name, ""), value) for value in values}
        if len(values) > 1:
            found.append(FilterValues(name, _title(column), labels))
    return tuple(found)


def _in_order(name: str, values: list[str]) -> list[str]:
    order = _ORDERS.get(name, ())
    known = [value for value in order if value in values]
    others = sorted(value for value in values if value not in order and value != NOT_KNOWN)
    return [*known, *others, *([NOT_KNOWN] if NOT_KNOWN in values else [])]


def _title(column: str) -> str:
    return next((way.title for way in GROUPINGS.values() if way.column == column), column.replace("_", " "))


def relief(reader: Reader, *, selection: Selection) -> dict[str, int]:
    """Filter -> cases there would be without it, for each filter set; the way out of an empty selection."""
    found = {}
    for name in (name for name, kept in selection.filters.items() if kept):
        others = {other: kept for other, kept in selection.filters.items() if other != name}
        condition, parameters = replace(selection, filters=others).where()
        found[name] = int(reader.connection.value(f"select count(*) from mart_cases where {condition}", parameters))
    return found
