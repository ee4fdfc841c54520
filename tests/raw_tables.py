"""Raw tables made by hand, as the reader would give them, and what interpreting one needs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

import polars as pl

from pipelines.contract.contract import load_contract
from pipelines.contract.delivery import Delivery, FileSource, RawTable, ReadingAssumption
from pipelines.deidentify.keyer import Keyer
from pipelines.interpreting.interpret import interpret
from pipelines.mapping.column_mapping import ColumnMapping, identity_mapping
from pipelines.mapping.mapping_file import parse_mapping
from warehouse.measures.catalogue import CATALOGUE

CONTRACT = load_contract()
KEYER = Keyer(bytes(range(32)))
TODAY = date(2024, 6, 30)
SOURCE = FileSource("cases.csv", "0" * 64, 100)

WIDE: dict[str, Any] = {
    "case_id": ["1", "2"],
    "sex": ["male", "female"],
    "selection": ["consecutive", "consecutive"],
    "status": ["finished", "in_treatment"],
    "comparison": ["treated", "treated"],
}
"""The columns that every wide file must have."""

WIDE_MAPPING = """
[columns]
"No" = "case_id"
"Sex" = "sex"
[constants]
selection = "consecutive"
status = "finished"
comparison = "treated"
"""


def raw_table(
    columns: Mapping[str, Sequence[object] | pl.Series], assumptions: tuple[ReadingAssumption, ...] = ()
) -> RawTable:
    """A table whose first row of data is row 2 of the file."""
    frame = pl.DataFrame({name: pl.Series(name, values, strict=False) for name, values in columns.items()})
    rows = pl.Series("row", range(2, frame.height + 2), dtype=pl.UInt32)
    return RawTable(SOURCE, frame, rows, assumptions)


def mapping_of(text: str) -> ColumnMapping:
    """A mapping file's text, loaded."""
    return parse_mapping(text, origin="practice.toml", contract=CONTRACT, catalogue=CATALOGUE)


def contract_names(columns: Sequence[str], table: str | None = None) -> ColumnMapping:
    """The mapping of columns that carry contract names."""
    return identity_mapping(columns, contract=CONTRACT, catalogue=CATALOGUE, table=table)


def interpreted(
    columns: Mapping[str, Sequence[object] | pl.Series],
    mapping: ColumnMapping | str | None = None,
    assumptions: tuple[ReadingAssumption, ...] = (),
) -> Delivery:
    """A hand-made table interpreted on a fixed day; without a mapping its columns carry contract names."""
    raw = raw_table(columns, assumptions)
    if mapping is None:
        mapping = contract_names(raw.frame.columns)
    chosen = mapping_of(mapping) if isinstance(mapping, str) else mapping
    return interpret(raw, chosen, contract=CONTRACT, catalogue=CATALOGUE, practice="HARBOUR", keyer=KEYER, today=TODAY)


def problems(delivery: Delivery) -> list[tuple[int, str, str, str]]:
    """Row, column, rule and description of each problem."""
    return [(row, column, rule, found) for _, row, column, rule, found in delivery.problems.iter_rows()]
