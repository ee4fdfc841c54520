"""Copying a warehouse database into a fresh file, plain or encrypted, and making sure the copy says the same."""

from pathlib import Path

from warehouse.errors import WarehouseError
from warehouse.store.quoting import name
from warehouse.store.snapshot import sync
from warehouse.store.storage import Connection, attach, files_told, prepare_encryption


def copy_into(connection: Connection, target: Path, *, key: str | None) -> None:
    """Copy the open database into a new file, and compare every table; WarehouseError, and no file, where it failed."""
    _discard(target)
    if key is not None:
        prepare_encryption(connection.raw)
    try:
        attach(connection.raw, target, "twin", key=key)
        connection.execute("copy from database menton to twin")
        _refuse_different(connection)
        connection.execute("detach twin")
        with files_told(target.parent):
            sync(target)
    except BaseException:
        _give_up(connection, target)
        raise


def _refuse_different(connection: Connection) -> None:
    tables = connection.rows("select table_name from duckdb_tables() where database_name = 'menton'")
    for (table,) in tables:
        kept, copied = (
            connection.rows(f"select count(*), bit_xor(hash(listed)) from {database}.main.{name(table)} as listed")
            for database in ("menton", "twin")
        )
        if kept != copied:
            found = f"the copy of the table {table} is not the same as the table"
            raise WarehouseError(found, remedy="run `menton verify`, then try again")


def _give_up(connection: Connection, target: Path) -> None:
    try:
        connection.execute("detach database if exists twin")
    except WarehouseError:
        pass  # the disk is full or the file cannot be written: the draft is removed all the same
    finally:
        _discard(target)


def _discard(target: Path) -> None:
    with files_told(target.parent):
        for leftover in (target, target.with_name(target.name + ".wal")):
            leftover.unlink(missing_ok=True)
