"""Reading all mapped columns at once, and the cells not understood as problems of the file.

Polars does the work outside Python's lock, so columns run side by side.
"""

import os
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import polars as pl

from pipelines.cells.reading import read_cells
from pipelines.cells.understood import Understood
from pipelines.contract.contract import Code, Contract
from pipelines.contract.delivery import PROBLEM_COLUMNS, RawTable
from pipelines.contract.targets import Target
from pipelines.deidentify.keyer import Keyer
from pipelines.deidentify.redaction import redact_series
from pipelines.interpreting.plan import InterpretingPlan
from pipelines.mapping.column_mapping import ColumnMapping

PROBLEM_SCHEMA = dict(zip(PROBLEM_COLUMNS, (pl.String, pl.UInt32, pl.String, pl.String, pl.String), strict=True))

BadCells = tuple[str, pl.DataFrame]  # contract name of a column, and its cells that were not understood


def problem_frame(
    bad: Iterable[BadCells], rows: pl.Series, mapping: ColumnMapping, *, contract: Contract
) -> pl.DataFrame:
    """The problems of a delivery in PROBLEM_COLUMNS, by row and column.

    ``rows``: Row in the file of each position in ``bad``.
    """
    targets = {target.name: target for target in mapping.targets()}
    frames = [
        _problems(cells, targets[name], rows, mapping.column_of(name), contract) for name, cells in bad if cells.height
    ]
    if not frames:
        return pl.DataFrame(schema=PROBLEM_SCHEMA)
    return pl.concat(frames).sort("row", maintain_order=True)


def _problems(cells: pl.DataFrame, target: Target, rows: pl.Series, column: str, contract: Contract) -> pl.DataFrame:
    codes = contract.codes.get(target.codes or "", ()) if target.type == "code" else ()
    return pl.DataFrame(
        {
            "table": pl.Series([target.table]).new_from_index(0, cells.height),
            "row": rows.gather(cells["index"]).cast(pl.UInt32),
            "column": pl.Series([column]).new_from_index(0, cells.height),
            "rule": cells["rule"],
            "found": _found(cells, codes),
        }
    )


def _found(cells: pl.DataFrame, codes: tuple[Code, ...]) -> pl.Series:
    texts = cells.filter(pl.col("said").is_null())["text"].unique()
    shown = redact_series(texts, codes)
    described = cells["text"].replace_strict(texts, shown, default=None, return_dtype=pl.String)
    return cells["said"].zip_with(cells["said"].is_not_null(), described)


_MAX_THREADS = 4


def read_columns(
    raw: RawTable, mapping: ColumnMapping, plan: InterpretingPlan, *, practice: str, keyer: Keyer
) -> dict[str, Understood]:
    """Contract name -> column understood, in the order of the mapping; case numbers are hashed here."""

    def read(column: str) -> Understood:
        expected = plan.expected[column]
        understood = read_cells(raw.frame[column], expected)
        if expected.target.field == "case_id":
            keys, n_others = keyer.numbered(practice, understood.values)
            return replace(understood, values=keys, n_others=n_others)
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
