"""JSON as a list of flat records, or an object of such lists, one a table. Values become text, numbers as written.

Tracings with their points inside (see ``json_points``) are taken apart first.
"""

from __future__ import annotations

import json

import polars as pl

from pipelines.contract.delivery import RawTable, ReadingAssumption
from pipelines.reading import limits
from pipelines.reading.decimals import with_decimal_note
from pipelines.reading.encoding import to_utf8
from pipelines.reading.header import check_unique
from pipelines.reading.json_points import is_nested, note, one_a_point
from pipelines.reading.settings import ReadSettings
from pipelines.reading.source import FileBytes
from pipelines.reading.tidy import Untidy, tidied
from warehouse.errors import BadFileError

_EXPECTED = "a list of records, each an object of column names and single values"
_REMEDY = "export flat records, one object a row; landmarks as one object a point"

Record = dict[str, str | None]


def read_json(file: FileBytes, settings: ReadSettings) -> list[RawTable]:
    """The tables of a JSON file; the first record is row 2, as if the names stood in row 1.

    Raises:
        BadFileError: The text is no JSON, is nested too deeply, or is not made of flat records.
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
        message = "a record has one name twice"
        raise _RepeatedNameError(message)
    return content


def _no_constant(name: str) -> str:
    message = f"{name} is not a JSON value"
    raise ValueError(message)


def _odd(found: str, where: str) -> BadFileError:
    return BadFileError(found, where=where, expected=_EXPECTED, remedy=_REMEDY)


def _table(
    file: FileBytes, sheet: str | None, records: object, notes: tuple[ReadingAssumption, ...], settings: ReadSettings
) -> RawTable:
    if not isinstance(records, list) or not records:
        raise _odd("the file holds no list of records", file.name)
    if is_nested(records):
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
