"""The store of a warehouse: everything loaded, with its history, behind numbered migrations."""

import hashlib
from importlib.resources import files
from pathlib import Path

from warehouse.errors import WarehouseError
from warehouse.store.access import ANCHOR, mark_of, settle
from warehouse.store.storage import Connection, files_told, utc_now

STORE = "store.duckdb"


def open_store(folder: Path, *, create: bool = False, key: str | None = None) -> Connection:
    """Open the store to write, bring its schema up to date, note how far records came; else WarehouseError."""
    path = folder / STORE
    if not path.exists() and not create:
        raise no_warehouse(folder)
    _make_folder(folder)
    connection = Connection(path, key=key)
    try:
        migrate(connection)
        with files_told(folder):
            settle(folder, key)
        anchor(connection, folder)
    except BaseException:
        connection.close()
        raise
    return connection


def no_warehouse(folder: Path) -> WarehouseError:
    """The error for a folder that holds no warehouse."""
    return WarehouseError(
        "there is no warehouse here yet",
        where=folder.name or str(folder),
        remedy="load a first file with `menton ingest PATH`, or name the folder with --warehouse",
    )


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError as error:
        found = "the warehouse folder cannot be made"
        remedy = "name a folder you may write to with --warehouse"
        raise WarehouseError(found, where=folder.name, remedy=remedy) from error


def migrations() -> list[tuple[int, str, str]]:
    """Every migration as (number, name, SQL), in order."""
    folder = files("warehouse.store.schema")
    names = sorted(entry.name for entry in folder.iterdir() if entry.name.endswith(".sql"))
    return [(int(name[:4]), name, folder.joinpath(name).read_text(encoding="utf-8")) for name in names]


def migrate(connection: Connection) -> list[str]:
    """Apply what the store has not seen, one transaction each; its names. WarehouseError where newer or altered."""
    connection.execute(
        "create table if not exists migrations"
        " (number integer primary key, name varchar not null, sha256 varchar not null, applied_at timestamp not null)"
    )
    seen = dict(connection.rows("select number, sha256 from migrations"))
    known = migrations()
    _refuse_newer(seen, known, connection.path)
    applied = []
    for number, name, sql in known:
        digest = hashlib.sha256(sql.encode()).hexdigest()
        if number in seen:
            _refuse_altered(seen[number], digest, name)
            continue
        with connection.transaction():
            connection.execute(sql)
            connection.execute("insert into migrations values (?, ?, ?, ?)", [number, name, digest, utc_now()])
        applied.append(name)
    return applied


def _refuse_newer(seen: dict[int, str], known: list[tuple[int, str, str]], path: Path) -> None:
    newest = max(number for number, _, _ in known)
    if seen and max(seen) > newest:
        found = f"the warehouse has schema {max(seen)}, this program knows schemas up to {newest}"
        raise WarehouseError(found, where=path.name, remedy="use the newer version of menton that made it")


def _refuse_altered(stored: str, present: str, name: str) -> None:
    if stored != present:
        found = f"the migration {name} is not the one this warehouse was made with"
        raise WarehouseError(found, where=name, remedy="reinstall menton: a shipped migration never changes")


def anchor(store: Connection, folder: Path) -> None:
    """Note in the store how far the access record has come, and with it all others.

    Opening a store to write does so, and publishing; whoever writes through them need not.
    """
    noted = store.value("select detail from events where what = ? order by entry desc limit 1", [ANCHOR])
    if (mark := mark_of(folder)) is not None and str(mark) != noted:
        record_event(store, ANCHOR, str(mark))


def record_event(connection: Connection, what: str, detail: str) -> None:
    """Add a line to the append-only record of changes. ``detail`` holds no personal data."""
    connection.execute(
        "insert into events select coalesce(max(entry), 0) + 1, ?, ?, ? from events", [utc_now(), what, detail]
    )
