"""Parquet files. The types of the file are kept; text is trimmed like anywhere else."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import polars as pl

from pipelines.reading import limits
from pipelines.reading.cells import listed
from pipelines.reading.header import check_unique
from pipelines.reading.tidy import Untidy, tidied
from warehouse.errors import BadFileError

if TYPE_CHECKING:
    from pipelines.delivery import RawTable
    from pipelines.reading.settings import ReadSettings
    from pipelines.reading.source import FileBytes


def read_parquet(file: FileBytes, settings: ReadSettings) -> RawTable:
    """The table in a Parquet file; its first row is row 2, as if the column names stood in row 1.

    Raises:
        BadFileError: The file is damaged, claims more cells than the limit, or has columns that hold no single values.
    """
    frame = _load(file)
    names = [" ".join(name.split()) for name in frame.columns]
    check_unique(names, file.name)
    if frame.width < 2:
        found = "the file has one column only"
        raise BadFileError(found, where=file.name, expected="several columns", remedy="export the table again")
    untidy = Untidy(
        source=file.source(),
        frame=frame.rename(dict(zip(frame.columns, names, strict=True))),
        rows=pl.Series("row", range(2, frame.height + 2), dtype=pl.UInt32),
        where=file.name,
    )
    return tidied(untidy, skip_totals=settings.skip_totals)


def _load(file: FileBytes) -> pl.DataFrame:
    """The frame, after a look at the file's own description of itself."""
    data = bytes(file.data)
    try:
        lazy = pl.scan_parquet(io.BytesIO(data))
        schema = lazy.collect_schema()
        _check_types(schema, file.name)
        n_rows = int(lazy.select(pl.len()).collect().item())
        _check_cells(n_rows, len(schema), file.name)
        text = [name for name, dtype in schema.items() if isinstance(dtype, pl.Categorical | pl.Enum)]
        return pl.read_parquet(io.BytesIO(data)).with_columns(pl.col(text).cast(pl.String))
    except (pl.exceptions.PolarsError, pl.exceptions.PanicException, OSError, ValueError) as error:
        found = "the Parquet file is damaged or cut off"
        remedy = "copy it again, or export it again"
        raise BadFileError(found, where=file.name, expected="a complete Parquet file", remedy=remedy) from error


def _check_types(schema: pl.Schema, name: str) -> None:
    odd = [column for column, dtype in schema.items() if dtype.is_nested() or dtype in (pl.Binary, pl.Object)]
    if odd:
        found = f"columns hold lists, structures or binary data: {listed(odd)}"
        remedy = "write one value a cell, and one row a case or record"
        raise BadFileError(found, where=name, expected="one value a cell", remedy=remedy)


def _check_cells(n_rows: int, n_columns: int, name: str) -> None:
    if n_columns > limits.MAX_COLUMNS or n_rows * max(1, n_columns) > limits.MAX_CELLS:
        found = f"the file holds {n_rows:,} rows of {n_columns:,} columns"
        expected = f"at most {limits.MAX_CELLS:,} cells in {limits.MAX_COLUMNS:,} columns"
        raise BadFileError(found, where=name, expected=expected, remedy="split it into several files")
