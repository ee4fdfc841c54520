"""The contract as an open description: a Frictionless Data Package with a Table Schema for each table.

Any program that writes tables can be checked against it with tools that know the standard. A code column lists the
codes themselves; other spellings that the reader takes are not part of the description. Checks across columns and the
ranges of single measures cannot be said in a Table Schema: they are the validation rules.

``python -m tests.data_package`` writes ``pipelines/contract/datapackage.json`` anew.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path
from typing import TypeAlias

from pipelines.contract.contract import Contract, ContractColumn, ContractTable, load_contract
from pipelines.contract.targets import MEASURE_CODES
from warehouse.measures.catalogue import CATALOGUE

FILE = Path(__file__).parents[1] / "pipelines/contract/datapackage.json"

Json: TypeAlias = "dict[str, object]"

_TYPES = {
    "text": "string",
    "code": "string",
    "codes": "string",
    "integer": "integer",
    "number": "number",
    "quarter": "string",
    "date": "date",
}
_QUARTER = r"[0-9]{4}-Q[1-4]"
_TOOTH = "(?:[1-4][1-8]|[5-8][1-5])"
_TEETH = f"none|{_TOOTH}(?:[ ,;]+{_TOOTH})*"


def descriptor(contract: Contract, measures: Iterable[str]) -> Json:
    """The description of a tabular export, one CSV file a table.

    ``contract``: The contract. ``measures``: Codes of the measures; a practice that adds measures of its own adds their
    codes.
    """
    codes = list(measures)
    return {
        "profile": "tabular-data-package",
        "name": "case-export",
        "title": contract.title,
        "version": contract.version,
        "description": (
            "One file a table. Leave out the files and the columns that you do not have, except those that are "
            "required. No names, addresses, record numbers of other systems, photographs or free text."
        ),
        "resources": [_resource(contract, table, codes) for table in contract.tables],
    }


def _resource(contract: Contract, table: ContractTable, measures: list[str]) -> Json:
    return {
        "profile": "tabular-data-resource",
        "name": table.name,
        "path": f"{table.name}.csv",
        "description": table.about,
        "encoding": "utf-8",
        "schema": _schema(contract, table, measures),
    }


def _schema(contract: Contract, table: ContractTable, measures: list[str]) -> Json:
    schema: Json = {
        "fields": [_field(contract, column, measures) for column in table.columns],
        "fieldsMatch": "superset",
        "missingValues": sorted(contract.missing),
        "primaryKey": list(table.key),
    }
    if table.name != "cases":
        reference = {"resource": "cases", "fields": ["case_id"]}
        schema["foreignKeys"] = [{"fields": ["case_id"], "reference": reference}]
    return schema


def _field(contract: Contract, column: ContractColumn, measures: list[str]) -> Json:
    field: Json = {"name": column.name, "type": _TYPES[column.type], "description": column.about}
    if column.unit:
        field["unit"] = column.unit
    constraints = _constraints(contract, column, measures)
    return {**field, "constraints": constraints} if constraints else field


def _constraints(contract: Contract, column: ContractColumn, measures: list[str]) -> Json:
    limits: Json = {"required": True} if column.required else {}
    if column.min is not None:
        limits["minimum"] = _number(column, column.min)
    if column.max is not None:
        limits["maximum"] = _number(column, column.max)
    if column.type == "code" and column.codes:
        limits["enum"] = measures if column.codes == MEASURE_CODES else [c.code for c in contract.codes[column.codes]]
    if column.type == "codes":
        limits["pattern"] = _TEETH
    if column.type == "quarter":
        limits["pattern"] = _QUARTER
    return limits


def _number(column: ContractColumn, value: float) -> float | int:
    return int(value) if column.type == "integer" else float(value)


def text(contract: Contract) -> str:
    """The description as it is shipped."""
    return json.dumps(descriptor(contract, CATALOGUE), indent=2, ensure_ascii=False) + "\n"


def main() -> None:
    """Write the shipped description anew."""
    FILE.write_text(text(load_contract()), encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
