"""What cases can be filtered by, and which filter to let go of when none is left."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

from warehouse.marts.grouping import NOT_KNOWN
from warehouse.marts.reader import Reader
from warehouse.selection import Selection, listed


@dataclass(frozen=True, slots=True)
class FilterValues:
    """One filter: its name, its title on screens, and value -> label in the order shown."""

    name: str
    title: str
    values: Mapping[str, str]


def filter_values(reader: Reader, *, selection: Selection) -> tuple[FilterValues, ...]:
    """Every filter with the values that the cases selected have, all read in one pass."""
    condition, parameters = selection.where()
    variables = listed("filters")
    columns = [f"coalesce(cast(mart_cases.{one.column} as varchar), '{NOT_KNOWN}')" for one in variables]
    lists = ", ".join(f"list(distinct {column})" for column in columns)
    rows = reader.connection.rows(f"select {lists} from mart_cases where {condition}", parameters)
    found = []
    for variable, values in zip(variables, rows[0], strict=True):
        order = _in_order(variable.values if variable.is_scale else (), values or [])
        labels = {value: reader.label(variable.codes, value) for value in order}
        found.append(FilterValues(variable.filter, variable.title, labels))
    return tuple(found)


def _in_order(order: tuple[str, ...], values: list[str]) -> list[str]:
    known = [value for value in order if value in values]
    others = sorted(value for value in values if value not in order and value != NOT_KNOWN)
    return [*known, *others, *([NOT_KNOWN] if NOT_KNOWN in values else [])]


def relief(reader: Reader, *, selection: Selection) -> dict[str, int]:
    """Filter -> cases there would be without it, for each filter set; the way out of an empty selection."""
    found = {}
    for name in (name for name, kept in selection.filters.items() if kept):
        others = {other: kept for other, kept in selection.filters.items() if other != name}
        condition, parameters = replace(selection, filters=others).where()
        found[name] = int(reader.connection.value(f"select count(*) from mart_cases where {condition}", parameters))
    return found
