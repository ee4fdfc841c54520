"""The case-export contract, read from ``contract.toml`` and joined with the catalogue of measures."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Literal

from pipelines.contract.words import written_in_cells
from warehouse.errors import DefinitionError, near_names
from warehouse.toml_files import shipped, structure

ColumnType = Literal["text", "code", "codes", "integer", "number", "quarter", "date"]
WidePlace = Literal["case", "visit", "phase", ""]

TOOTH_CODES = frozenset(
    [f"{quadrant}{tooth}" for quadrant in range(1, 5) for tooth in range(1, 9)]
    + [f"{quadrant}{tooth}" for quadrant in range(5, 9) for tooth in range(1, 6)]
)
"""The 52 tooth codes of ISO 3950: 32 permanent, 20 deciduous."""

MAX_PHASES = 20


@dataclass(frozen=True, slots=True)
class Code:
    """One allowed value of a coded column: what is stored, what is shown, and other spellings.

    ``also`` are spellings the reader takes as the code; ``aliases`` only help a draft of a mapping.
    """

    code: str
    label: str
    also: tuple[str, ...] = ()
    aliases: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ContractColumn:
    """One column of a contract table."""

    name: str
    type: ColumnType
    about: str
    required: bool = False
    codes: str | None = None
    min: float | None = None
    max: float | None = None
    unit: str | None = None
    default: str | int | None = None
    wide: WidePlace = ""
    kept: bool = True
    aliases: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ContractTable:
    """One contract table and its key."""

    name: str
    about: str
    key: tuple[str, ...]
    columns: tuple[ContractColumn, ...]

    def column(self, name: str) -> ContractColumn:
        """The column called ``name``. Raises DefinitionError: there is no such column; near names are offered."""
        for column in self.columns:
            if column.name == name:
                return column
        found = f"the table {self.name} has no column {name!r}"
        raise DefinitionError(found, remedy=near_names(name, [c.name for c in self.columns]))


@dataclass(frozen=True, slots=True)
class Contract:
    """The whole contract."""

    version: str
    title: str
    missing: frozenset[str]
    timepoints: tuple[str, ...]
    codes: Mapping[str, tuple[Code, ...]]
    tables: tuple[ContractTable, ...] = field(default=())

    def table(self, name: str) -> ContractTable:
        """The table called ``name``. Raises DefinitionError: there is no such table; near names are offered."""
        for table in self.tables:
            if table.name == name:
                return table
        found = f"the contract has no table {name!r}"
        raise DefinitionError(found, remedy=near_names(name, [t.name for t in self.tables]))

    def spellings(self, codes: str) -> dict[str, str]:
        """Lower-case spelling -> code, for the spellings the reader takes without a mapping."""
        known: dict[str, str] = {}
        for code in self.codes[codes]:
            for spelling in (code.code, *code.also):
                known[spelling.lower()] = code.code
        return known


@lru_cache(maxsize=1)
def load_contract() -> Contract:
    """The contract shipped with the package."""
    data = shipped("pipelines.contract", "contract.toml")
    words = written_in_cells().aliases
    codes = {
        name: [
            {"code": code, **body, "aliases": (*body.get("aliases", ()), *words.get(name, {}).get(code, ()))}
            for code, body in group.items()
        ]
        for name, group in data["codes"].items()
    }
    codes["tooth"] = [{"code": tooth, "label": f"tooth {tooth}"} for tooth in sorted(TOOTH_CODES)]
    contract: Contract = structure(Contract, {**data, "codes": codes}, where="contract.toml")
    return contract
