"""The member that holds generalised cases: Parquet of plain text columns, written and read with nothing to unfold.

Reading takes nothing on trust. Compressed pages are refused, so no page grows when read; columns are read as dictionary
codes in small batches, so that one long text repeated a million times costs no more than once; rows are counted as they
come; and every value must be one of those the group agreed on.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping, Sequence
from itertools import islice
from typing import TYPE_CHECKING, Any

import polars as pl

from warehouse.errors import GroupError

if TYPE_CHECKING:
    import pyarrow as pa
    import pyarrow.parquet as pq

_BATCH = 4_096
_MOST_FOOTER = 1_000_000
UNCOMPRESSED = 0
_ROW_GROUPS, _COLUMNS, _ABOUT_COLUMN, _CODEC = 4, 1, 3, 4
_DEEPEST = 24


def case_bytes(frame: pl.DataFrame) -> bytes:
    """Cases as Parquet: text columns, plain pages, no compression, no statistics, no dictionary."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    schema = pa.schema([pa.field(name, pa.string(), nullable=False) for name in frame.columns])
    table = pa.table([pa.array(frame[name].to_list(), pa.string()) for name in frame.columns], schema=schema)
    buffer = io.BytesIO()
    pq.write_table(table, buffer, compression="none", use_dictionary=False, write_statistics=False, store_schema=False)
    return buffer.getvalue()


def read_cases(data: bytes, *, allowed: Mapping[str, Sequence[str]], most: int) -> pl.DataFrame:
    """Cases from Parquet.

    ``data``: The bytes. ``allowed``: Column -> values it may hold; the columns must be these, in this order. ``most``:
    Most rows.

    Raises:
        GroupError: It is anything else than such a table.
    """
    import pyarrow as pa

    try:
        if codecs_in(data) - {UNCOMPRESSED}:
            raise _wrong("a column is compressed")
        outline = _opened(data).metadata
        _check_outline(outline, list(allowed), most)
        opened = _opened(data, codes_for=list(allowed))
        parts: dict[str, list[str]] = {name: [] for name in allowed}
        for batch in opened.iter_batches(batch_size=_BATCH):
            for name, values in allowed.items():
                parts[name] += _decoded(batch.column(name), frozenset(values))
                if len(parts[name]) > most:
                    raise _wrong(f"it has more than {most:,} rows")
    except (pa.ArrowException, OSError, ValueError, MemoryError) as error:
        raise _wrong("it cannot be read as Parquet") from error
    if len({len(values) for values in parts.values()}) != 1:
        raise _wrong("its columns differ in length")
    return pl.DataFrame(parts, schema=dict.fromkeys(allowed, pl.String))


def codecs_in(data: bytes) -> set[int]:
    """The compressions stated in the footer, by their numbers in the format.

    Asked about a column it does not understand, Arrow ends the whole process (so does its account of the compression),
    DuckDB wants a file on disk and Polars says nothing of compression: so the footer is looked at here first. It is a
    Thrift structure in the compact protocol (the specifications of Parquet and of Thrift, from memory; the tests hold
    this against files that Arrow writes).

    Raises:
        ValueError: The footer is not one, or states no compression for a column.
    """
    length = int.from_bytes(data[-8:-4], "little")
    try:
        if data[:4] != b"PAR1" or data[-4:] != b"PAR1" or not 0 < length <= len(data) - 12:
            raise ValueError  # told below, as is whatever else is wrong with it
        groups = _value(12, iter(data[-8 - length : -8]), _DEEPEST).get(_ROW_GROUPS, [])
        codecs = {column[_ABOUT_COLUMN][_CODEC] for group in groups for column in group[_COLUMNS]}
        if not all(type(codec) is int for codec in codecs):
            raise ValueError
    except (ValueError, KeyError, TypeError, IndexError, AttributeError, StopIteration) as error:
        message = "no description of a Parquet file"
        raise ValueError(message) from error
    return codecs


def _value(kind: int, footer: Iterator[int], deepest: int) -> Any:  # noqa: ANN401 - whatever a footer holds
    """A value of a kind; a structure as number of a field -> value, in which no field may stand twice."""
    if kind in {1, 2}:
        return kind == 1
    if kind == 3:
        return next(footer)
    if kind in {4, 5, 6}:
        return (number := _number(footer)) >> 1 ^ -(number & 1)
    if kind in {7, 8}:
        return bytes(islice(footer, 8 if kind == 7 else _number(footer)))
    if not deepest:
        raise ValueError
    if kind in {9, 10}:
        head = next(footer)
        n = _number(footer) if head >> 4 == 15 else head >> 4
        return [_value(3 if head & 15 in {1, 2} else head & 15, footer, deepest - 1) for _ in range(n)]
    if kind != 12:
        raise ValueError
    fields: dict[int, Any] = {}
    field = 0
    while head := next(footer):
        field = field + (head >> 4) if head >> 4 else _value(4, footer, deepest)
        if field in fields:
            raise ValueError
        fields[field] = _value(head & 15, footer, deepest - 1)
    return fields


def _number(footer: Iterator[int]) -> int:
    """A whole number of variable length, in at most ten bytes."""
    value = 0
    for place in range(0, 70, 7):
        byte = next(footer)
        value |= (byte & 127) << place
        if byte < 128:
            return value
    raise ValueError


def _opened(data: bytes, *, codes_for: list[str] | None = None) -> pq.ParquetFile:
    import pyarrow.parquet as pq

    return pq.ParquetFile(
        io.BytesIO(data),
        read_dictionary=codes_for,
        thrift_string_size_limit=_MOST_FOOTER,
        thrift_container_size_limit=_MOST_FOOTER,
    )


def _check_outline(outline: pq.FileMetaData, columns: list[str], most: int) -> None:
    """What the footer says, before a page is read."""
    if outline.num_rows > most or outline.num_row_groups > 1 + most // 1000:
        raise _wrong(f"it has more than {most:,} rows")
    if [outline.schema.column(i).path for i in range(len(outline.schema))] != columns:
        raise _wrong("its columns are not those agreed on")
    for i in range(len(columns)):
        column = outline.schema.column(i)
        if column.physical_type != "BYTE_ARRAY" or column.max_definition_level or column.max_repetition_level:
            raise _wrong("a column is not plain text")


def _decoded(column: pa.Array[Any], allowed: frozenset[str]) -> list[str]:
    import pyarrow as pa

    if not isinstance(column, pa.DictionaryArray) or column.null_count:
        raise _wrong("a value is missing")
    words = [str(value) for value in column.dictionary.to_pylist()]
    if not set(words) <= allowed:
        raise _wrong("a value is not one of those agreed on")
    codes: list[int] = column.indices.to_numpy().tolist()
    return [words[code] for code in codes]


def _wrong(what: str) -> GroupError:
    found = f"the cases in the file are not as agreed: {what}"
    return GroupError(found, remedy="ask the practice to make it again with the group's current agreement")
