"""What the spreadsheet template asks for: its entry sheets, their columns and the example row.

The wide template is one sheet with one row a case: the fields of the case, two phases, and the main measures at start
and finish. The other has one sheet a contract table. Both use the contract's names, so a filled template needs no
mapping.
Dates are not asked for: an age and a quarter serve the audit, and what is not written down cannot leak.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from pipelines.contract.contract import Contract, ContractColumn, load_contract
from pipelines.contract.targets import Target, Targets
from pipelines.reading.template_marks import EXAMPLE_CASE
from warehouse.measures.catalogue import CATALOGUE
from warehouse.measures.measure import Measure
from warehouse.toml_files import shipped

WIDE_SHEET = "Cases"

ASKED = shipped("pipelines.template", "template.toml")
"""Main measures, fields of visits, what is asked for at follow-up, examples, and the lines of the first sheet."""

PHASES = (1, 2)

_EXAMPLES = ASKED["examples"]
_EXAMPLE_TEXT: dict[str, str] = {"case_id": EXAMPLE_CASE, **_EXAMPLES["text"]}
_EXAMPLE_CODE: dict[str, str] = _EXAMPLES["code"]
_EXAMPLE_NUMBER: dict[str, float] = _EXAMPLES["number"]


@dataclass(frozen=True, slots=True, kw_only=True)
class EntryColumn:
    """One column of an entry sheet."""

    name: str  # The contract's name, as the heading
    label: str  # The trade name of a measure, else the name in words
    about: str  # What belongs there
    kind: str  # `text`, `code`, `codes`, `integer`, `number` or `quarter`
    unit: str
    required: bool  # Whether every row needs it
    codes: str | None  # Name of the code list, or None
    low: float | None  # Lowest value that is not turned away, or None
    high: float | None  # Highest such value, or None
    example: str | float  # Value of the example row


@dataclass(frozen=True, slots=True)
class EntrySheet:
    """One sheet to fill in."""

    name: str
    about: str
    columns: tuple[EntryColumn, ...]


def wide_sheet() -> EntrySheet:
    """The one entry sheet of the wide template."""
    contract = load_contract()
    targets = Targets("wide", None, contract=contract, measures=CATALOGUE)
    columns = []
    for name in _wide_names(contract):
        target = targets.find(name)
        if target is not None and target.type != "date":
            columns.append(_entry(target, contract))
    return EntrySheet(WIDE_SHEET, "One row a case, start and finish side by side.", tuple(columns))


def table_sheets() -> tuple[EntrySheet, ...]:
    """One entry sheet a contract table."""
    contract = load_contract()
    sheets = []
    for table in contract.tables:
        targets = Targets("tabular", table.name, contract=contract, measures=CATALOGUE)
        columns = tuple(_entry(target, contract) for target in targets if target.type != "date")
        sheets.append(EntrySheet(table.name, table.about, columns))
    return tuple(sheets)


def _wide_names(contract: Contract) -> Iterator[str]:
    yield from (column.name for column in contract.table("cases").columns)
    phase_columns = [column.name for column in contract.table("phases").columns if column.wide == "phase"]
    for phase_no in PHASES:
        yield from (f"phase_{phase_no}_{name}" for name in phase_columns)
    yield "months_from_start_finish"
    for name in (*ASKED["visit_fields"], *ASKED["main_measures"]):
        yield from (f"{name}_{timepoint}" for timepoint in ("start", "finish"))
    yield from ASKED["follow_up"]


def _entry(target: Target, contract: Contract) -> EntryColumn:
    if target.measure:
        return _measure_entry(target, CATALOGUE[target.field])
    column = contract.table(target.table).column(target.field)
    return EntryColumn(
        name=target.name,
        label=target.name.replace("_", " "),
        about=column.about,
        kind=target.type,
        unit=target.unit or "",
        required=target.required,
        codes=target.codes if target.type == "code" else None,
        low=column.min,
        high=column.max,
        example=_example(target, column, contract),
    )


def _measure_entry(target: Target, measure: Measure) -> EntryColumn:
    middle = (measure.usual[0] + measure.usual[1]) / 2
    return EntryColumn(
        name=target.name,
        label=f"{measure.label}, at {(target.timepoint or '').replace('_', ' ')}",
        about=f"{measure.definition} A rise means: {measure.up_means}.",
        kind="integer" if target.whole else "number",
        unit=measure.unit,
        required=False,
        codes=None,
        low=measure.plausible[0],
        high=measure.plausible[1],
        example=round(middle) if target.whole else round(middle, 1),
    )


def _example(target: Target, column: ContractColumn, contract: Contract) -> str | float:
    for known in (target.name, target.field):
        if target.type in ("number", "integer") and known in _EXAMPLE_NUMBER:
            return _EXAMPLE_NUMBER[known]
        if known in _EXAMPLE_TEXT and target.type != "code":
            return _EXAMPLE_TEXT[known]
    if target.codes is not None and target.type == "code":
        return _EXAMPLE_CODE.get(target.codes) or contract.codes[target.codes][0].code
    return column.default or ""
