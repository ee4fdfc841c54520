"""A mapping of one kind of file, stated or by contract names, and whether it is complete."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from pipelines.contract.contract import Contract
from pipelines.contract.delivery import Layout
from pipelines.contract.targets import MEASURE_CODES, Target, Targets
from pipelines.mapping.settings import FileSettings
from warehouse.measures.measure import Measure

_LEAVE_OUT = "map one of them and put the other in [ignored]"


def missing_required(filled: Iterable[Target], targets: Targets) -> list[Target]:
    """The required targets that nothing fills."""
    names = {target.name for target in filled}
    if targets.layout == "points" and any(name.startswith("x_") for name in names):
        names |= {"landmark", "x", "y"}  # a column a coordinate
    return [target for target in targets.required() if target.name not in names]


def check_sources(filled: Sequence[Target]) -> Iterator[tuple[str, str, str]]:
    """(name, what is wrong, what to do) for values that come from two sources, or from a date that cannot be used."""
    names = {target.name for target in filled}
    if {"age_at_start", "birth_date"} <= names:
        yield "birth_date", "the age at start would come from two columns, age_at_start and birth_date", _LEAVE_OUT
    if {"start_quarter", "start_date"} <= names:
        yield (
            "start_date",
            "the quarter of the start would come from two columns, start_quarter and start_date",
            _LEAVE_OUT,
        )
    if "birth_date" in names and "start_date" not in names:
        remedy = "map the date of the start records as start_date, or give age_at_start"
        yield "birth_date", "a date of birth is turned into an age by start_date, and nothing goes to that", remedy
    for target in filled:
        if target.field == "age" and target.timepoint and not {"age_at_start", "birth_date"} & names:
            found = "this age is turned into months by the age at start, and nothing goes to that"
            yield target.name, found, "map the age at start as age_at_start"
        if target.type == "date" and target.table == "visits":
            yield from _visit_date(target, names)


def _visit_date(target: Target, names: set[str]) -> Iterator[tuple[str, str, str]]:
    months = f"months_from_start_{target.timepoint}" if target.timepoint else "months_from_start"
    if months in names:
        yield target.name, f"the time would come from two columns, {target.name} and {months}", _LEAVE_OUT
    if target.timepoint and "start_date" not in names:
        remedy = f"map the date of the start records as start_date, or give {months}"
        yield target.name, "this date is turned into months by start_date, and nothing goes to that", remedy


_TELLING: tuple[tuple[frozenset[str], Layout, str | None], ...] = (
    (frozenset({"landmark", "x", "y"}), "points", "landmarks"),
    (frozenset({"measure", "value"}), "tabular", "measurements"),
    (frozenset({"phase_no"}), "tabular", "phases"),
    (frozenset({"timepoint"}), "tabular", "visits"),
)


def identity_mapping(
    columns: Iterable[str],
    *,
    contract: Contract,
    catalogue: Mapping[str, Measure],
    table: str | None = None,
    settings: FileSettings | None = None,
) -> ColumnMapping:
    """The mapping in which each column goes to the contract name it carries.

    Columns that carry no contract name are left unmapped, so that checking the file against the mapping refuses them.

    ``table``: Contract table where it is known (by the name of a file or sheet); None finds layout and table by the
    columns that only one of them has. ``settings``: How the file is written; its layout and table are replaced.
    """
    headings = [column.strip() for column in columns]
    layout, found = _layout(headings, contract, catalogue, table)
    targets = Targets(layout, found, contract=contract, measures=catalogue)
    mapped = {heading: target for heading in headings if (target := targets.find(heading)) is not None}
    return ColumnMapping(settings=replace(settings or FileSettings(), layout=layout, table=found), columns=mapped)


def _layout(
    headings: list[str], contract: Contract, catalogue: Mapping[str, Measure], table: str | None
) -> tuple[Layout, str | None]:
    if table is not None:
        return ("points", table) if table == "landmarks" else ("tabular", table)
    for telling, layout, found in _TELLING:
        if telling.issubset(headings):
            return layout, found
    wide = Targets("wide", None, contract=contract, measures=catalogue)
    only_cases = all(target is None or target.table == "cases" for target in map(wide.find, headings))
    return ("tabular", "cases") if only_cases and any(map(wide.find, headings)) else ("wide", None)


BY_FINISH = "by finish"
"""Constant for status: finished where a finish date or a finish record stands, still in treatment elsewhere."""

CONTRACT_NAMES = "contract names"  # origin of a mapping that no file states: the columns carry the contract's names


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
