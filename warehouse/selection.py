"""The variables of a case (``variables.toml``), and which cases are looked at: those meant, and the filters set."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib.resources import files
from types import MappingProxyType
from typing import Any

from warehouse.errors import RequestError, near_names


@dataclass(frozen=True, slots=True, kw_only=True)
class Variable:
    """One variable of a case."""

    name: str
    title: str = ""  # As shown; empty for one that is only adjusted for
    column: str | None = None  # Column of mart_cases, or None for membership in several groups
    codes: str = ""
    values: tuple[str, ...] = ()
    order: tuple[str, ...] = ()
    is_scale: bool = False
    filter: str = ""
    note: str = ""
    bands: tuple[tuple[str, str], ...] = ()  # (value, SQL condition)
    adjust: Mapping[str, Any] | None = field(default=None, hash=False)
    coarser: tuple[Mapping[str, tuple[str, ...]], ...] = field(default=(), hash=False)

    @property
    def case(self) -> str:
        """The SQL expression that gives the value by its bands."""
        whens = " ".join(f"when {condition} then '{value}'" for value, condition in self.bands if condition)
        others = "".join(f" else '{value}'" for value, condition in self.bands if not condition)
        return f"case {whens}{others} end"


def _variable(name: str, stated: Mapping[str, Any]) -> Variable:
    bands = tuple((value, condition) for value, condition in stated.get("bands", ()))
    values = tuple(stated.get("values", dict.fromkeys(value for value, _ in bands)))
    coarser = tuple({label: tuple(held) for label, held in level.items()} for level in stated.get("coarser", ()))
    made = {"values": values, "bands": bands, "coarser": coarser, "order": tuple(stated.get("order", values))}
    return Variable(**{"name": name, "filter": name, **stated, **made})


_STATED = tomllib.loads(files("warehouse").joinpath("variables.toml").read_text(encoding="utf-8"))
VARIABLES: Mapping[str, Variable] = MappingProxyType(
    {name: _variable(name, stated) for name, stated in _STATED["variable"].items()}
)


def listed(use: str) -> tuple[Variable, ...]:
    """The variables of one of the lists, in order: groupings, filters, adjustable, protected or pooled."""
    return tuple(VARIABLES[name] for name in _STATED["lists"][use])


def stated(section: str) -> dict[str, Any]:
    """A further section of ``variables.toml``."""
    found: dict[str, Any] = _STATED[section]
    return found


FILTERS: dict[str, str] = {one.filter: one.column for one in listed("filters") if one.column}
"""Filter name -> column of mart_cases."""

SET_APART = "cleft_or_syndrome"  # filter without which cases with a cleft or a syndrome are left out

WHOEVER: Mapping[str, tuple[str, ...]] = MappingProxyType({SET_APART: (*VARIABLES[SET_APART].values, "not known")})
"""The filter that takes in cases with a cleft or a syndrome as well."""

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
        if not self.filters.get(SET_APART):
            conditions.append("(mart_cases.{0} = 'none' or mart_cases.{0} is null)".format(FILTERS[SET_APART]))
        for key, kept in self.filters.items():
            if kept:
                marks = ", ".join("?" for _ in kept)
                column = f"mart_cases.{FILTERS[key]}"  # compared by codes, in a fourth of the time of text
                column = f"cast({column} as varchar)" if key == "start_year" else column
                unknown = f" or {column} is null" if "not known" in kept else ""
                conditions.append(f"({column} in ({marks}){unknown})")
                values.extend(kept)
        return " and ".join(conditions), values

    @property
    def is_sample(self) -> bool:
        """Whether no hand-picked case is among these."""
        return self.selection == "consecutive"

    def sentence(self) -> str:
        """What the cases are, in words."""
        who = {
            "consecutive": "consecutive cases",
            "selected": "hand-picked cases (not a sample)",
            "both": "consecutive and hand-picked cases together (not a sample)",
        }[self.selection]
        kept = "; ".join(
            f"{key.replace('_', ' ')}: {', '.join(_read(key, value) for value in values)}"
            for key, values in self.filters.items()
            if values and values != WHOEVER.get(key)
        )
        return f"{self.comparison} {who}" + (f", {kept}" if kept else "")


def _read(key: str, value: str) -> str:
    """A value as it is read: codes are words joined by underscores, names are not touched."""
    return value if key in {"practice", "clinician"} else value.replace("_", " ")
