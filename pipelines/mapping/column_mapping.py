"""A mapping of one kind of file: columns, codes, units, constants, and columns left out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from pipelines.contract.contract import Contract
from pipelines.contract.targets import MEASURE_CODES, Target
from pipelines.mapping.settings import FileSettings
from warehouse.measures.measure import Measure

CONTRACT_NAMES = "contract names"
"""Origin of a mapping that no file states: the columns carry the contract's names."""


@dataclass(frozen=True, slots=True)
class Constant:
    """A value for a column that the file does not have."""

    target: Target
    value: str | int | float


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnMapping:
    """How one kind of file is turned into contract terms."""

    origin: str = CONTRACT_NAMES  # Name of the mapping file, or CONTRACT_NAMES
    settings: FileSettings = field(default_factory=FileSettings)  # The [file] section
    columns: Mapping[str, Target] = field(default_factory=dict)  # Column in the file -> where it goes
    # Section (a code list, a contract name or a column in the file) -> spelling in lower case -> code, the empty
    # string where a spelling means "not known"
    codes: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)  # Column in the file -> unit of its numbers
    constants: Mapping[str, Constant] = field(default_factory=dict)  # Contract name -> constant
    ignored: Mapping[str, str] = field(default_factory=dict)  # Column in the file -> why it is left out

    @property
    def stated(self) -> bool:
        """Whether a mapping file states it."""
        return self.origin != CONTRACT_NAMES

    def targets(self) -> tuple[Target, ...]:
        """Everything that columns or constants fill."""
        return (*self.columns.values(), *(constant.target for constant in self.constants.values()))

    def column_of(self, name: str) -> str:
        """The column in the file that goes to a contract name; the name itself where none does."""
        return next((column for column, target in self.columns.items() if target.name == name), name)

    def spellings(
        self, column: str, target: Target, *, contract: Contract, measures: Mapping[str, Measure]
    ) -> dict[str, str]:
        """Spelling in lower case -> code for one column: those of the contract, then those of the mapping.

        The more particular goes first: the column in the file before its contract name, that before the field, that
        before the code list.
        """
        known = dict(own_spellings(target, contract=contract, measures=measures))
        for section in dict.fromkeys((target.codes, target.field, target.name, column)):
            known |= self.codes.get(section or "", {})
        return known


def own_spellings(target: Target, *, contract: Contract, measures: Mapping[str, Measure]) -> Mapping[str, str]:
    """The spellings of codes that the contract takes without a mapping; none for teeth, which are parsed."""
    if target.type != "code" or target.codes is None:
        return {}
    if target.codes == MEASURE_CODES:
        return {code.lower(): code for code in measures}
    return contract.spellings(target.codes)
