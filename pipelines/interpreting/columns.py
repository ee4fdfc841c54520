"""Reading all mapped columns at once; Polars does the work outside Python's lock, so columns run side by side."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import TYPE_CHECKING

import polars as pl

from pipelines.cells.reading import read_cells

if TYPE_CHECKING:
    from pipelines.cells.understood import Understood
    from pipelines.contract.delivery import RawTable
    from pipelines.deidentify.keyer import Keyer
    from pipelines.interpreting.plan import InterpretingPlan
    from pipelines.mapping.column_mapping import ColumnMapping

_MAX_THREADS = 4


def read_columns(
    raw: RawTable, mapping: ColumnMapping, plan: InterpretingPlan, *, practice: str, keyer: Keyer
) -> dict[str, Understood]:
    """Contract name -> column understood, in the order of the mapping; case numbers are hashed here."""

    def read(column: str) -> Understood:
        expected = plan.expected[column]
        understood = read_cells(raw.frame[column], expected)
        if expected.target.field == "case_id":
            return replace(understood, values=keyer.keys(practice, understood.values))
        if expected.target.field == "age_at_start":
            return replace(understood, values=understood.values.round(2))
        return understood

    first = sorted(mapping.columns, key=lambda column: mapping.columns[column].field != "case_id")
    with ThreadPoolExecutor(max_workers=min(_MAX_THREADS, os.cpu_count() or 1)) as pool:
        done = dict(zip(first, pool.map(read, first), strict=True))
    return {target.name: done[column] for column, target in mapping.columns.items()}


def constant_column(value: str | float, length: int) -> pl.Series:
    """A column of one value, shape (length,)."""
    return pl.Series([value]).new_from_index(0, length)
