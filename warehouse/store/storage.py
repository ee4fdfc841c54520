"""The only door to DuckDB: open a file, change it in a transaction, query it.

A warehouse is a folder::

    store.duckdb            everything loaded, with history; one writer at a time   (store.py)
    mart-<build>.duckdb     a published snapshot; never changed after it is named   (snapshot.py)
    current.json            which snapshot is current; replaced in one step         (snapshot.py)
"""

from __future__ import annotations

import errno
import re
import tomllib
from contextlib import contextmanager, suppress
from datetime import UTC, date, datetime
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

import duckdb

from warehouse.errors import BusyError, KeyProblemError, MentonError, WarehouseError
from warehouse.store.chain import keep_key

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    import polars as pl
    import pyarrow as pa


class Connection:
    """A DuckDB connection with one warehouse file attached as ``menton`` and made the default."""

    def __init__(self, path: Path, *, read_only: bool = False, key: str | None = None) -> None:
        self.path = path
        self._given = 0
        self.raw = duckdb.connect(":memory:", config=_settings(path, read_only=read_only))
        self.raw.execute("set enable_progress_bar = false")
        try:
            if key is not None:
                prepare_encryption(self.raw)
            attach(self.raw, path, "menton", read_only=read_only, key=key)
            self.raw.execute("use menton")
        except BaseException:
            self.raw.close()
            raise
        keep_key(path.parent, key)

    def close(self) -> None:
        """Close the connection and the file."""
        self.raw.close()

    def __enter__(self) -> Connection:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def execute(self, sql: str, parameters: Sequence[object] | None = None) -> None:
        """Run a statement whose result is not wanted."""
        with told(self.path):
            self.raw.execute(with_values(sql, parameters))

    def frame(self, sql: str, parameters: Sequence[object] | None = None) -> pl.DataFrame:
        """The rows of a query as a Polars frame."""
        import polars as pl

        with told(self.path):
            if self._given:  # frames given are seen by this connection only, not by a cursor of it
                found = pl.from_arrow(self.raw.execute(with_values(sql, parameters)).to_arrow_table())
            else:
                with self.raw.cursor() as cursor:  # a cursor of its own, so that threads may ask at once
                    cursor.execute("use menton")
                    found = pl.from_arrow(cursor.execute(with_values(sql, parameters)).to_arrow_table())
        if not isinstance(found, pl.DataFrame):  # pragma: no cover - a query always gives a table
            raise TypeError("a query gave no table")
        return found.with_columns(pl.col(pl.Categorical, pl.Enum).cast(pl.String))

    def value(self, sql: str, parameters: Sequence[object] | None = None) -> Any:  # noqa: ANN401
        """The first value of the first row, or None where there is no row."""
        with told(self.path):
            row = self.raw.execute(with_values(sql, parameters)).fetchone()
        return None if row is None else row[0]

    def rows(self, sql: str, parameters: Sequence[object] | None = None) -> list[tuple[Any, ...]]:
        """All rows of a query."""
        with told(self.path):
            return self.raw.execute(with_values(sql, parameters)).fetchall()

    def columns(self, table: str) -> list[str]:
        """Names of the columns of a table, in order."""
        with told(self.path):
            described = self.raw.execute(f"select * from {table} limit 0").description
        return [str(column[0]) for column in described or ()]

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """All or nothing: commit at the end, roll back on any error."""
        self.raw.execute("begin transaction")
        try:
            yield
        except BaseException:
            with suppress(duckdb.Error):  # of a connection that is dead already, closing drops the transaction
                self.raw.execute("rollback")
            raise
        try:
            self.raw.execute("commit")
        except duckdb.Error as error:
            raise _as_warehouse_error(error, self.path) from error

    @contextmanager
    def set_to(self, **wanted: str) -> Iterator[None]:
        """Settings of DuckDB inside the block, in SQL; afterwards those of the program, whatever happened."""
        for name, value in wanted.items():
            self.execute(f"set {name} = {value}")
        try:
            yield
        finally:
            for name in wanted:
                with suppress(duckdb.Error):  # of a connection that is dead already
                    self.raw.execute(f"reset {name}")

    @contextmanager
    def given(self, **frames: pl.DataFrame) -> Iterator[None]:
        """Make frames readable as tables of these names inside the block."""
        with self._registered({name: _in_batches(frame.to_arrow()) for name, frame in frames.items()}):
            yield

    @contextmanager
    def given_whole(self, **frames: pl.DataFrame) -> Iterator[None]:
        """The same for frames that are read whole: their text is shared instead of copied.

        A join or a condition on such a table fails, since Arrow cannot yet compare shared text (pyarrow 25).
        """
        import polars as pl

        newest = pl.CompatLevel.newest()
        shared = {name: _in_batches(frame.to_arrow(compat_level=newest)) for name, frame in frames.items()}
        with self._registered(shared):
            yield

    @contextmanager
    def _registered(self, tables: Mapping[str, object]) -> Iterator[None]:
        for name, table in tables.items():
            self.raw.register(name, table)
        self._given += 1
        try:
            yield
        finally:
            self._given -= 1
            for name in tables:
                self.raw.unregister(name)


def with_values(sql: str, values: Sequence[object] | None) -> str:
    """A statement with a literal of each value in place of its ``?``, of the type DuckDB would bind it as.

    Binding makes DuckDB's client import pandas (half a second, 70 MB) to see whether a value is its NaT. ValueError
    where ``?`` and values differ in number, TypeError as for ``literal``.
    """
    if not values:
        return sql
    text = sql.encode()  # the tokens' places are counted in bytes
    marks = [
        at for at, kind in duckdb.tokenize(sql) if kind == duckdb.token_type.operator and text[at : at + 1] == b"?"
    ]
    if len(marks) != len(values):
        raise ValueError(f"{len(marks)} places for {len(values)} values")
    parts, done = [], 0
    for at, value in zip(marks, values, strict=True):
        parts += [text[done:at], literal(value).encode()]
        done = at + 1
    return b"".join([*parts, text[done:]]).decode()


def literal(value: object) -> str:
    """A value as a literal, the one way into a statement; TypeError for other types and numbers of over 128 bits."""
    match value:
        case None | bool():
            return "null" if value is None else str(value).lower()
        case int() if -(2**127) <= value < 2**127:
            kind = next(kind for kind, least, end in _WHOLE if least <= value < end)
            return f"cast({_quoted(str(int(value)))} as {kind})"
        case float():
            return f"cast({_quoted(repr(float(value)))} as double)"  # shortest text that reads back to the same number
        case str():
            parts = map(_quoted, value.split("\0"))  # DuckDB reads a statement up to its first NUL
            return f"cast({' || chr(0) || '.join(parts)} as varchar)"
        case date():
            kind = "date" if not isinstance(value, datetime) else "timestamp" if value.tzinfo is None else "timestamptz"
            return f"cast({_quoted(value.isoformat())} as {kind})"
        case list() | tuple():
            return f"[{', '.join(literal(one) for one in value)}]"
    raise TypeError(f"no literal for a value of type {type(value).__name__}")


_WHOLE: tuple[tuple[str, int, int], ...] = (
    ("integer", -(2**31), 2**31),
    ("bigint", -(2**63), 2**63),
    ("ubigint", 0, 2**64),
    ("hugeint", -(2**127), 2**127),
)
"""Types DuckDB binds whole numbers as, the narrowest first, with the least number and the first beyond."""


_BATCH_ROWS = 122_880  # rows of a row group of DuckDB


def _in_batches(table: pa.Table) -> pa.Table:
    """The same rows in batches, without a copy: DuckDB shares out the batches among its threads."""
    import pyarrow as pa

    return pa.Table.from_batches(table.to_batches(max_chunksize=_BATCH_ROWS), schema=table.schema)


_FAULTS = (duckdb.IOException, duckdb.FatalException, duckdb.OutOfMemoryException)
"""What the disk, the memory or another program can do to a statement that is right."""


@contextmanager
def told(path: Path) -> Iterator[None]:
    """Turn what happens to a file into a MentonError to act on; mistakes in a statement stay as they are."""
    try:
        yield
    except _FAULTS as error:
        raise _as_warehouse_error(error, path) from error
    except (duckdb.CatalogException, duckdb.BinderException) as error:
        older = _lacking(str(error), path)
        if older is None:
            raise
        raise older from error
    except duckdb.InvalidInputException as error:
        if _SEAL not in str(error):
            raise
        raise _as_warehouse_error(error, path) from error
    except duckdb.TransactionException as error:
        if "Could not write" not in str(error):
            raise
        raise _as_warehouse_error(error, path) from error  # the disk was full when the statement was to be kept


_TABLE = re.compile(r"Table with name (mart_\w+) does not exist")
_COLUMN = re.compile(r'Referenced column "(\w+)" not found|does not have a column named "(\w+)"')


def _lacking(text: str, path: Path) -> WarehouseError | None:
    """The error where a snapshot that another version published lacks a table or column; None for anything else.

    Statements are made by Menton from names it has checked, so what a snapshot does not know was not there when it was
    published.
    """
    table, column = _TABLE.search(text), _COLUMN.search(text)
    if not path.name.startswith("mart-") or not (table or column):
        return None
    what = f"no table {table[1]}" if table else f"no column {column[1] or column[2]}" if column else ""
    found = f"the published snapshot is older than this version of Menton: it has {what}"
    return WarehouseError(found, where=path.name, remedy="run `menton publish` to publish it again")


@contextmanager
def refused_with(refusal: MentonError) -> Iterator[None]:
    """Raise this error where DuckDB cannot do what the block asks."""
    try:
        yield
    except duckdb.Error as error:
        raise refusal from error


@contextmanager
def files_told(folder: Path) -> Iterator[None]:
    """Turn what the system says of files of a warehouse into a WarehouseError a person can act on."""
    try:
        yield
    except OSError as error:
        is_full = error.errno in {errno.ENOSPC, errno.EFBIG, errno.EDQUOT}
        said = next(one for one in _FAULTS_SAID if one.get("name") == ("full" if is_full else "denied"))
        raise WarehouseError(said["found"], where=folder.name, remedy=said["remedy"]) from error


SMALL = 2**24
"""Bytes of a file that one thread reads as soon as several, and with a third less processor time."""


def _settings(path: Path, *, read_only: bool) -> dict[str, str | bool | int | float | list[str]]:
    settings: dict[str, str | bool | int | float | list[str]] = {
        "autoinstall_known_extensions": "false",
        "autoload_known_extensions": "false",
        "temp_directory": str(path.parent / "spill"),
        "allow_community_extensions": "false",
        "preserve_insertion_order": "false",  # every reader that needs an order asks for it
    }
    with suppress(OSError):  # a file that is not there is told when it is attached
        if read_only and path.stat().st_size <= SMALL:
            settings["threads"] = 1
    return settings


def attach(
    raw: duckdb.DuckDBPyConnection, path: Path, alias: str, *, read_only: bool = False, key: str | None = None
) -> None:
    """Attach a database file; WarehouseError where it cannot be used, KeyProblemError where its key is not right."""
    options = [option for option, wanted in (("read_only", read_only),) if wanted]
    if key is not None:
        options.append(f"encryption_key {_quoted(key)}")
    clause = f" ({', '.join(options)})" if options else ""
    try:
        raw.execute(f"attach {_quoted(str(path))} as {alias}{clause}")
    except duckdb.Error as error:
        raise _as_warehouse_error(error, path) from error


def _quoted(text: str) -> str:
    doubled = text.replace("'", "''")
    return f"'{doubled}'"


def prepare_encryption(raw: duckdb.DuckDBPyConnection) -> None:
    """Load the signed extension that encrypts with hardware support, and encrypt what spills to disk."""
    try:
        import duckdb_extension_httpfs
    except ImportError as error:
        found = "encryption needs the DuckDB extension httpfs, which is not installed"
        raise KeyProblemError(found, remedy="install the package duckdb-extension-httpfs==1.5.5") from error
    folder = Path(duckdb_extension_httpfs.__file__).parent
    extension = next(folder.rglob("httpfs.duckdb_extension"))
    raw.execute(f"load {_quoted(str(extension))}")
    raw.execute("set temp_file_encryption = true")


def _as_warehouse_error(error: duckdb.Error, path: Path) -> MentonError:
    """The error a person can act on, told from the text DuckDB gives (1.5 has no error codes for these)."""
    text = str(error).lower()
    for one in _FAULTS_SAID:
        if any(sign.lower() in text for sign in one["signs"]):
            return _KINDS[one["kind"]](one["found"], where=path.name, remedy=one["remedy"])
    return WarehouseError(
        "the file is not a warehouse this version can read, or it is damaged",
        where=path.name,
        expected="a file made by menton with DuckDB 1.5",
        remedy="run `menton verify`, or put a backup back with `menton restore`",
    )


_KINDS: dict[str, type[MentonError]] = {"busy": BusyError, "key": KeyProblemError, "warehouse": WarehouseError}
_FAULTS_SAID = tomllib.loads(files(__package__).joinpath("faults.toml").read_text(encoding="utf-8"))["fault"]
_SEAL = "AES tag"
"""What DuckDB says of an encrypted block that was changed (NIST SP 800-38D: the tag of GCM)."""


def utc_now() -> datetime:
    """The present in UTC, to the second, without a zone (as the store keeps it)."""
    return datetime.now(UTC).replace(tzinfo=None, microsecond=0)
