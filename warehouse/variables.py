"""The variables of a case, from ``variables.toml``, whose head says what each field means."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib.resources import files
from types import MappingProxyType
from typing import Any


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
