"""Which cases are looked at: the cases meant by a figure, and the filters a person set."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from warehouse.errors import RequestError, near_names
from warehouse.variables import listed

FILTERS: dict[str, str] = {one.filter: one.column for one in listed("filters") if one.column}
"""Filter name -> column of mart_cases."""

_EMPTY: Mapping[str, tuple[str, ...]] = MappingProxyType({})


@dataclass(frozen=True, slots=True, kw_only=True)
class Selection:
    """The cases a figure is about."""

    comparison: str = "treated"  # `treated` or `untreated`; the two are never counted together
    # `consecutive`, `selected`, or `both` (shown with a warning: picked cases are no sample)
    selection: str = "consecutive"
    filters: Mapping[str, tuple[str, ...]] = field(default_factory=lambda: _EMPTY)  # Filter name -> values kept

    def __post_init__(self) -> None:
        """Refuse a filter that does not exist."""
        for key in self.filters:
            if key not in FILTERS:
                found = f"there is no filter {key!r}"
                raise RequestError(found, expected=", ".join(FILTERS), remedy=near_names(key, FILTERS))

    def where(self) -> tuple[str, list[object]]:
        """A condition on ``mart_cases`` and its parameters."""
        conditions, parameters = ["mart_cases.comparison = ?"], [self.comparison]
        if self.selection != "both":
            conditions.append("mart_cases.selection = ?")
            parameters.append(self.selection)
        values: list[object] = list(parameters)
        for key, kept in self.filters.items():
            if kept:
                marks = ", ".join("?" for _ in kept)
                conditions.append(f"coalesce(cast(mart_cases.{FILTERS[key]} as varchar), 'not known') in ({marks})")
                values.extend(kept)
        return " and ".join(conditions), values

    def sentence(self) -> str:
        """What the cases are, in words."""
        who = {
            "consecutive": "consecutive cases",
            "selected": "selected cases (picked out, not a sample)",
            "both": "consecutive and selected cases together (not a sample)",
        }[self.selection]
        kept = "; ".join(
            f"{key.replace('_', ' ')}: {', '.join(_read(key, value) for value in values)}"
            for key, values in self.filters.items()
            if values
        )
        return f"{self.comparison} {who}" + (f", {kept}" if kept else "")


def _read(key: str, value: str) -> str:
    """A value as it is read: codes are words joined by underscores, names are not touched."""
    return value if key in {"practice", "clinician"} else value.replace("_", " ")
