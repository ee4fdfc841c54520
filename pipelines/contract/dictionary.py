"""The data dictionary: the contract and the catalogue of measures in words, for the template."""

from collections.abc import Iterable

from pipelines.contract.contract import Contract, ContractColumn
from pipelines.contract.targets import MEASURE_CODES
from warehouse.measures.measure import Measure, Norm
from warehouse.toml_files import shipped

TEXT = shipped("pipelines.contract", "dictionary.toml")
"""Titles of the tables of columns and measures, and standing text."""

_WIDE = {"case": "{name}", "visit": "{name}_TIME", "phase": "phase_N_{name}", "": ""}


def column_rows(contract: Contract) -> list[tuple[str, ...]]:
    """Every column of every table, in words: what ``column_titles`` names."""
    return [_column_row(table.name, column) for table in contract.tables for column in table.columns]


def _column_row(table: str, column: ContractColumn) -> tuple[str, ...]:
    return (
        table,
        column.name,
        _wide_name(column),
        TEXT["types"][column.type],
        column.unit or "",
        "yes" if column.required else "",
        _codes_name(column),
        "" if column.min is None else f"{column.min:g}",
        "" if column.max is None else f"{column.max:g}",
        column.about,
    )


def _wide_name(column: ContractColumn) -> str:
    if column.type == "date" and column.wide == "visit":
        return "TIME_date"
    return _WIDE[column.wide].format(name=column.name)


def _codes_name(column: ContractColumn) -> str:
    if column.codes == MEASURE_CODES:
        return "codes of the measures"
    return "ISO 3950" if column.codes == "tooth" else column.codes or ""


def measure_rows(measures: Iterable[Measure]) -> list[tuple[str, ...]]:
    """Every measure in words: what ``measure_titles`` names."""
    return [_measure_row(measure) for measure in measures]


def _measure_row(measure: Measure) -> tuple[str, ...]:
    norms = [norm for norm in (measure.norm, *measure.other_norms) if norm]
    error = measure.method_error
    return (
        measure.code,
        measure.label,
        measure.definition,
        measure.unit,
        _range(measure.plausible),
        _range(measure.usual),
        measure.up_means,
        "; ".join(map(_norm, norms)) or "none shipped",
        "; ".join(norm.source for norm in norms),
        f"{error.sem:g}" if error else "none shipped; comes from your own repeats",
        error.source if error else "",
        measure.source,
    )


def _range(limits: tuple[float, float]) -> str:
    return f"{limits[0]:g} to {limits[1]:g}"


def _norm(norm: Norm) -> str:
    spread = "" if norm.sd is None else f" (SD {norm.sd:g})"
    return f"{norm.mean:g}{spread}, {norm.applies_to}"


def code_lists(contract: Contract) -> dict[str, list[tuple[str, str]]]:
    """Code list -> (code, label), for the lists that columns use."""
    used = {column.codes for table in contract.tables for column in table.columns if column.codes}
    return {name: [(code.code, code.label) for code in codes] for name, codes in contract.codes.items() if name in used}
