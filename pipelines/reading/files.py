"""Which files a set of paths means, and one door for every file: by its kind to the reader that takes it."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeGuard, cast

import polars as pl

from pipelines.contract.delivery import RawTable, ReadingAssumption
from pipelines.reading import limits
from pipelines.reading.cells import listed
from pipelines.reading.decimals import with_decimal_note
from pipelines.reading.encoding import to_utf8
from pipelines.reading.header import check_unique
from pipelines.reading.kinds import SUFFIXES
from pipelines.reading.settings import ReadSettings
from pipelines.reading.source import FileBytes, load_bytes
from pipelines.reading.tidy import Untidy, tidied
from warehouse.errors import BadFileError

if TYPE_CHECKING:
    import pyarrow as pa
    import pyarrow.parquet as pq


POINTS = "points"
_MADE = ("landmark", "x", "y")
_FORM = (
    '[{"case_id": ..., "timepoint": ..., "view": ..., "unit": ..., "y_axis": ..., "faces": ..., '
    '"points": {"S": [x, y], ...}}]'
)


def is_nested(records: object) -> bool:
    """Whether a list of records holds tracings with their points inside."""
    return isinstance(records, list) and any(map(_has_points, records))


def _has_points(record: object) -> TypeGuard[dict[str, Any]]:
    return isinstance(record, dict) and isinstance(record.get(POINTS), dict)


def one_a_point(records: Sequence[object], where: str) -> list[object]:
    """One record a point, in the order of the file, with the values of its tracing.

    Raises BadFileError: an entry is no tracing, or a point is not made of two coordinates.
    """
    found: list[object] = []
    for number, tracing in enumerate(records, start=1):
        place = f"{where}, tracing {number}"
        if not _has_points(tracing):
            raise _no_points("an entry of the list is not a tracing with its points", place)
        shared = {name: value for name, value in tracing.items() if name != POINTS}
        twice = [name for name in _MADE if name in shared]
        if twice:
            raise _no_points(f"the tracing has points and {twice[0]!r} beside them", place)
        found += [{**shared, **point} for point in _points(tracing[POINTS], place)]
    return found


def _points(points: dict[str, object], place: str) -> Iterator[dict[str, object]]:
    for code, xy in points.items():
        if xy is None:
            continue
        if not isinstance(xy, list) or len(xy) != 2 or any(isinstance(value, list | dict) for value in xy):
            raise _no_points("a point is not made of two coordinates", place)
        yield {"landmark": code, "x": xy[0], "y": xy[1]}


def note(n_tracings: int, n_points: int) -> ReadingAssumption:
    """What rows are in such a file."""
    taken = f"{n_points:,} points of {n_tracings:,} tracings, numbered from 2 in the order of the file"
    return ReadingAssumption("rows", taken, "the file holds tracings with their points inside")


def _no_points(found: str, where: str) -> BadFileError:
    remedy = "give every tracing its points as pairs of numbers, or one flat record a point"
    return BadFileError(found, where=where, expected=_FORM, remedy=remedy)


_EXPECTED = "a list of records, each an object of column names and single values"
_REMEDY = "export flat records, one object a row; landmarks as one object a point"

Record = dict[str, str | None]


def read_json(file: FileBytes, settings: ReadSettings) -> list[RawTable]:
    """The tables of a JSON file; the first record is row 2, as if the names stood in row 1.

    Raises BadFileError: the text is no JSON, is nested too deeply, or is not made of flat records.
    """
    text, notes = to_utf8(file, settings.encoding)
    content = _parsed(text, file.name)
    groups: dict[str | None, object] = dict(content) if isinstance(content, dict) else {None: content}
    if settings.sheet is not None:
        groups = {name: records for name, records in groups.items() if name == settings.sheet}
    if not groups:
        raise _odd("the file holds no list of records", file.name)
    return [_table(file, sheet, records, notes, settings) for sheet, records in groups.items()]


def _parsed(text: bytearray, where: str) -> object:
    try:
        return json.loads(text, parse_float=str, parse_int=str, parse_constant=_no_constant, object_pairs_hook=_object)
    except RecursionError as error:
        raise _odd("the file is nested too deeply", where) from error
    except ValueError as error:
        message = f"the text is not JSON: {error}" if isinstance(error, _RepeatedNameError) else "the text is not JSON"
        raise _odd(message, where) from error


class _RepeatedNameError(ValueError):
    """An object that names one column twice."""


def _object(pairs: list[tuple[str, object]]) -> dict[str, object]:
    content = dict(pairs)
    if len(content) < len(pairs):
        raise _RepeatedNameError("a record has one name twice")
    return content


def _no_constant(name: str) -> str:
    raise ValueError(f"{name} is not a JSON value")


def _odd(found: str, where: str) -> BadFileError:
    return BadFileError(found, where=where, expected=_EXPECTED, remedy=_REMEDY)


def _table(
    file: FileBytes, sheet: str | None, records: object, notes: tuple[ReadingAssumption, ...], settings: ReadSettings
) -> RawTable:
    if not isinstance(records, list) or not records:
        raise _odd("the file holds no list of records", file.name)
    if is_nested(records):
        _check_points(records, file)
        tracings, records = len(records), one_a_point(records, file.name)
        notes = (*notes, note(tracings, len(records)))
        if not records:
            raise _odd("no tracing of the file has a point", file.name)
    names: dict[str, None] = {}
    for row, record in enumerate(records, start=2):
        if not isinstance(record, dict):
            raise _odd("an entry of the list is not an object", f"{file.name}, row {row}")
        names.update(dict.fromkeys(record))
    columns = list(names)
    _check_columns(columns, len(records), file.name)
    _check_characters(columns, file.name)
    frame = pl.DataFrame(
        {name: [_cell(record.get(name), file.name, row) for row, record in enumerate(records, 2)] for name in columns},
        schema=dict.fromkeys(columns, pl.String),
    )
    untidy = Untidy(
        source=file.source(sheet),
        frame=frame.with_columns(pl.when(pl.all() != "").then(pl.all())),
        rows=pl.Series("row", range(2, len(records) + 2), dtype=pl.UInt32),
        where=file.name,
        assumptions=notes,
    )
    table = tidied(untidy, skip_totals=settings.skip_totals)
    return table if settings.decimal else with_decimal_note(table)


def _check_points(records: Sequence[object], file: FileBytes) -> None:
    """Refuse tracings whose own values would stand beside so many points that no memory holds them."""
    a_byte, always = limits.POINT_CELLS_A_BYTE, limits.ALWAYS_POINT_CELLS
    most = limits.most(limits.MAX_WORKBOOK_CELLS, file.n_bytes, a_byte=a_byte, always=always)
    n_cells = sum((len(one) - 1 + len(_MADE)) * len(one[POINTS]) for one in filter(_has_points, records))
    if n_cells > most:
        found = f"the tracings hold {n_cells:,} values once each of their points has its row"
        raise BadFileError(found, where=file.name, expected=f"at most {most:,}", remedy="split the file")


def _check_columns(columns: list[str], n_rows: int, where: str) -> None:
    check_unique(columns, where)
    if not 2 <= len(columns) <= limits.MAX_COLUMNS or n_rows * len(columns) > limits.MAX_WORKBOOK_CELLS:
        raise _odd(f"the records have {len(columns):,} names in {n_rows:,} rows", where)


def _check_characters(texts: list[str], where: str) -> None:
    """Refuse half characters, which JSON can write and no text can hold."""
    try:
        "".join(texts).encode()
    except UnicodeEncodeError as error:
        raise _odd("a text holds half a character", where) from error


def _cell(value: object, where: str, row: int) -> str | None:
    if isinstance(value, bool):
        return "true" if value else "false"
    if value is None:
        return None
    if isinstance(value, str):
        if not value.isascii():
            _check_characters([value], f"{where}, row {row}")
        return value
    raise _odd("a value is itself a list or an object", f"{where}, row {row}")


_MOST_FOOTER = 10_000_000  # most bytes of a text, and most entries of a list, in the file's own description of itself


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
    return cast("pl.DataFrame", frame)  # a table never becomes a series


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


DESCRIPTOR = "datapackage.json"  # the description that may lie beside the tables of an export; it is no table


def discover(paths: Iterable[Path]) -> list[Path]:
    """The files that ``paths`` mean, each once, in the order given; a folder stands for its tables in order of name.

    A folder is not searched below its first level, so that a warehouse or an archive in it is not taken for a delivery.
    Hidden files, lock files of spreadsheet programs and package descriptors are passed over. A file named directly is
    taken whatever its ending. Raises BadFileError: a path does not exist, or a folder holds no table.
    """
    found: dict[Path, Path] = {}
    for path in paths:
        for file in _tables_in(path) if path.is_dir() else [_existing(path)]:
            found.setdefault(file.resolve(), file)
    return list(found.values())


def _existing(path: Path) -> Path:
    if not path.exists():
        remedy = "check the spelling and the folder you are in"
        raise BadFileError(
            "there is no such file or folder", where=path.name, expected="an existing path", remedy=remedy
        )
    return path


def _tables_in(folder: Path) -> list[Path]:
    try:
        entries = sorted(folder.iterdir(), key=lambda entry: (entry.name.casefold(), entry.name))
    except OSError as error:
        found = f"the folder cannot be read: {error.strerror or type(error).__name__}"
        raise BadFileError(found, where=folder.name, remedy="check that you may read it") from error
    tables = [entry for entry in entries if _is_table(entry)]
    within = folder.resolve()
    for table in tables:
        if not table.resolve().is_relative_to(within):
            found = "a link in the folder leads to a file outside it"
            remedy = "put the file itself into the folder, or take the link out; nothing was read"
            raise BadFileError(found, where=table.name, expected="files that lie in the folder", remedy=remedy)
    if tables:
        return tables
    below = any(entry.is_dir() and not entry.name.startswith(".") for entry in entries)
    remedy = (
        "name the folder below it that holds them" if below else "put the exported tables there, or name another folder"
    )
    expected = f"files ending in {', '.join(SUFFIXES)}"
    raise BadFileError("the folder holds no table", where=folder.name, expected=expected, remedy=remedy)


def _is_table(path: Path) -> bool:
    if path.name.startswith((".", "~$")) or path.name == DESCRIPTOR:
        return False
    return path.suffix.lower() in SUFFIXES and path.is_file()


def read_file(path: Path, settings: ReadSettings | None = None) -> list[RawTable]:
    """The tables of a file: one of a text, Parquet or flat JSON file, one for each sheet of a workbook.

    The kind is decided by the bytes, not by the name. Columns are named as in the file; values of text files and
    workbooks are text, dates of workbooks as ``YYYY-MM-DD``, their numbers in shortest form; Parquet keeps its types.

    What ``settings`` do not state is found out and recorded on the tables. Raises BadFileError: the file cannot be
    used; nothing of it is returned.
    """
    settings = settings or ReadSettings()
    file = load_bytes(path)
    if file.kind == "workbook":
        from pipelines.reading.workbook import read_workbook

        return read_workbook(file, settings)
    if file.kind == "parquet":
        return [read_parquet(file, settings)]
    if file.kind == "json":
        return read_json(file, settings)
    from pipelines.reading.text import read_text

    return [read_text(file, settings)]
