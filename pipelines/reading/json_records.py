"""JSON as a list of flat records, or an object of such lists, one a table. Values become text, numbers as written.

Tracings with their points inside are taken apart first.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence

import polars as pl

from pipelines.contract.delivery import RawTable, ReadingAssumption
from pipelines.reading import limits
from pipelines.reading.decimals import with_decimal_note
from pipelines.reading.encoding import to_utf8
from pipelines.reading.header import check_unique
from pipelines.reading.settings import ReadSettings
from pipelines.reading.source import FileBytes
from pipelines.reading.tidy import Untidy, tidied
from warehouse.errors import BadFileError

POINTS = "points"
_MADE = ("landmark", "x", "y")
_FORM = (
    '[{"case_id": ..., "timepoint": ..., "view": ..., "unit": ..., "y_axis": ..., "faces": ..., '
    '"points": {"S": [x, y], ...}}]'
)


def is_nested(records: object) -> bool:
    """Whether a list of records holds tracings with their points inside."""
    return isinstance(records, list) and any(
        isinstance(one, dict) and isinstance(one.get(POINTS), dict) for one in records
    )


def one_a_point(records: Sequence[object], where: str) -> list[object]:
    """One record a point, in the order of the file, with the values of its tracing.

    Raises:
        BadFileError: An entry is no tracing, or a point is not made of two coordinates.
    """
    found: list[object] = []
    for number, tracing in enumerate(records, start=1):
        place = f"{where}, tracing {number}"
        if not isinstance(tracing, dict) or not isinstance(tracing.get(POINTS), dict):
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
    nested = [one for one in records if isinstance(one, dict) and isinstance(one.get(POINTS), dict)]
    n_cells = sum((len(one) - 1 + len(_MADE)) * len(one[POINTS]) for one in nested)
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
