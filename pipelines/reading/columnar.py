"""Parquet files. The types of the file are kept; text is trimmed like anywhere else."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import polars as pl

from pipelines.contract.delivery import RawTable
from pipelines.reading import limits
from pipelines.reading.cells import listed
from pipelines.reading.header import check_unique
from pipelines.reading.settings import ReadSettings
from pipelines.reading.source import FileBytes
from pipelines.reading.tidy import Untidy, tidied
from warehouse.errors import BadFileError

if TYPE_CHECKING:
    import pyarrow as pa
    import pyarrow.parquet as pq

_MOST_FOOTER = 10_000_000
"""Most bytes of a text, and most entries of a list, in the file's own description of itself."""


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
    """The frame, after a look at the file's own description of itself.

    Arrow reads it and checks every value before Polars sees it: on damaged bytes Arrow gives an error, where Polars
    would print a trace of its own.
    """
    import pyarrow as pa

    try:
        opened = _opened(file)
        schema = opened.schema_arrow
        _check_types(schema, file.name)
        _check_cells(opened.metadata.num_rows, len(schema), file)
        table = _opened(file, codes_for=[field.name for field in schema if _is_text(field.type)]).read()
        table.validate(full=True)
        _check_texts(table, file.name)
        columns = [_written_out(column) for column in table.columns]
        frame = pl.from_arrow(pa.Table.from_arrays(columns, names=table.column_names))  # no notes in bytes
    except (
        pa.ArrowException,
        pl.exceptions.PolarsError,
        OSError,
        ValueError,
        TypeError,
        KeyError,
        MemoryError,
    ) as error:
        found = "the Parquet file is damaged or cut off"
        remedy = "copy it again, or export it again"
        raise BadFileError(found, where=file.name, expected="a complete Parquet file", remedy=remedy) from error
    if not isinstance(frame, pl.DataFrame):  # pragma: no cover - a table always becomes a frame
        message = "a table became no frame"
        raise TypeError(message)
    return frame


def _opened(file: FileBytes, *, codes_for: list[str] | None = None) -> pq.ParquetFile:
    """The file with its own description read; columns in ``codes_for`` come as codes of a list of texts.

    So one long text that a million rows refer to is held once, until its length times the rows is known.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    return pq.ParquetFile(
        pa.BufferReader(pa.py_buffer(memoryview(file.data))),
        read_dictionary=codes_for,
        thrift_string_size_limit=_MOST_FOOTER,
        thrift_container_size_limit=_MOST_FOOTER,
    )


def _check_texts(table: pa.Table, name: str) -> None:
    """Refuse endless texts, and short ones repeated until no memory holds them."""
    total = 0
    for column in table.column_names:
        for chunk in table[column].chunks:
            texts = _texts(chunk)
            longest = _longest(texts)
            if longest > limits.MAX_CELL_CHARS and _longest(texts, characters=True) > limits.MAX_CELL_CHARS:
                found = f"a cell holds more than {limits.MAX_CELL_CHARS:,} characters: {listed([column])}"
                remedy = "correct it and export the table again"
                raise BadFileError(found, where=name, expected="short values", remedy=remedy)
            total += longest * len(chunk)
    if total > limits.MAX_TEXT_BYTES:
        found = f"the texts of the file would take up to {total / 1e9:,.0f} GB"
        expected = f"at most {limits.MAX_TEXT_BYTES / 1e9:.1f} GB: the longest text of a column, times its rows"
        raise BadFileError(found, where=name, expected=expected, remedy="leave out what is not the table, or split it")


def _texts(chunk: pa.Array[Any]) -> pa.Array[Any] | None:
    """The different texts of a part of a column; nothing where it holds no text."""
    import pyarrow as pa

    if isinstance(chunk, pa.DictionaryArray):
        return chunk.dictionary if _is_text(chunk.dictionary.type) else None
    return chunk if _is_text(chunk.type) else None


def _longest(texts: pa.Array[Any] | None, *, characters: bool = False) -> int:
    import pyarrow.compute as pc

    if texts is None or not len(texts):
        return 0
    lengths: Any = pc.call_function("utf8_length" if characters else "binary_length", [texts])
    return int(pc.max(lengths).as_py() or 0)


def _written_out(column: pa.ChunkedArray[Any]) -> pa.ChunkedArray[Any]:
    """A column of codes as the values they stand for."""
    import pyarrow as pa

    if not isinstance(column.type, pa.DictionaryType):
        return column
    parts = [chunk.dictionary_decode() for chunk in column.chunks if isinstance(chunk, pa.DictionaryArray)]
    return pa.chunked_array(parts, column.type.value_type)


def _is_text(kind: pa.DataType) -> bool:
    import pyarrow as pa

    return bool(pa.types.is_string(kind) or pa.types.is_large_string(kind) or pa.types.is_string_view(kind))


def _check_types(schema: pa.Schema, name: str) -> None:
    odd = [field.name for field in schema if not _is_single(field.type)]
    if odd:
        found = f"columns hold lists, structures or binary data: {listed(odd)}"
        remedy = "write one value a cell, and one row a case or record"
        raise BadFileError(found, where=name, expected="one value a cell", remedy=remedy)


def _is_single(kind: pa.DataType) -> bool:
    """Whether a type holds one readable value a cell."""
    import pyarrow as pa

    plain = kind.value_type if pa.types.is_dictionary(kind) else kind
    tests = (
        pa.types.is_boolean, pa.types.is_integer, pa.types.is_floating, pa.types.is_decimal, pa.types.is_string,
        pa.types.is_large_string, pa.types.is_string_view, pa.types.is_temporal, pa.types.is_null,
    )  # fmt: skip
    return any(test(plain) for test in tests)


def _check_cells(n_rows: int, n_columns: int, file: FileBytes) -> None:
    a_byte, always = limits.CELLS_A_BYTE, limits.ALWAYS_CELLS
    most = limits.most(limits.MAX_CELLS, file.n_bytes, a_byte=a_byte, always=always)
    if n_columns > limits.MAX_COLUMNS or n_rows * max(1, n_columns) > most:
        found = f"the file holds {n_rows:,} rows of {n_columns:,} columns in {file.n_bytes:,} bytes"
        expected = f"at most {most:,} cells in {limits.MAX_COLUMNS:,} columns"
        raise BadFileError(found, where=file.name, expected=expected, remedy="split it into several files")
