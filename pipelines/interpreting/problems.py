"""Cells that could not be understood, as a frame that holds nothing that could tell who a person is."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from pipelines.contract.delivery import PROBLEM_COLUMNS
from pipelines.deidentify.redaction import redact_series

if TYPE_CHECKING:
    from collections.abc import Iterable

    from pipelines.contract.contract import Code, Contract
    from pipelines.contract.targets import Target
    from pipelines.mapping.column_mapping import ColumnMapping

PROBLEM_SCHEMA = dict(zip(PROBLEM_COLUMNS, (pl.String, pl.UInt32, pl.String, pl.String, pl.String), strict=True))

BadCells = tuple[str, pl.DataFrame]
"""Contract name of a column, and its cells that were not understood."""


def problem_frame(
    bad: Iterable[BadCells], rows: pl.Series, mapping: ColumnMapping, *, contract: Contract
) -> pl.DataFrame:
    """The problems of a delivery in PROBLEM_COLUMNS, by row and column.

    Args:
        bad: Cells that were not understood, by contract name.
        rows: Row in the file of each position.
        mapping: Gives the names of columns in the file.
        contract: Gives the codes that may be shown.
    """
    targets = {target.name: target for target in mapping.targets()}
    frames = [
        _problems(cells, targets[name], rows, mapping.column_of(name), contract) for name, cells in bad if cells.height
    ]
    if not frames:
        return pl.DataFrame(schema=PROBLEM_SCHEMA)
    return pl.concat(frames).sort("row", maintain_order=True)


def _problems(cells: pl.DataFrame, target: Target, rows: pl.Series, column: str, contract: Contract) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "table": pl.Series([target.table]).new_from_index(0, cells.height),
            "row": rows.gather(cells["index"]).cast(pl.UInt32),
            "column": pl.Series([column]).new_from_index(0, cells.height),
            "rule": cells["rule"],
            "found": _found(cells, _codes(target, contract)),
        }
    )


def _codes(target: Target, contract: Contract) -> tuple[Code, ...]:
    return contract.codes.get(target.codes or "", ()) if target.type == "code" else ()


def _found(cells: pl.DataFrame, codes: tuple[Code, ...]) -> pl.Series:
    texts = cells.filter(pl.col("said").is_null())["text"].unique()
    shown = redact_series(texts, codes)
    described = cells["text"].replace_strict(texts, shown, default=None, return_dtype=pl.String)
    return cells["said"].zip_with(cells["said"].is_not_null(), described)
