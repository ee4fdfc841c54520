"""Writing the records of a warehouse as a folder of Parquet tables, as a cluster would hold them."""

from __future__ import annotations

from pathlib import Path

from warehouse.engine.layout import TABLES
from warehouse.errors import RequestError
from warehouse.store.quoting import name, text
from warehouse.store.snapshot import sync_folder
from warehouse.store.storage import Connection, files_told


def write_records(store: Connection, out: Path) -> dict[str, int]:
    """Write every table that marts are made from, all as of one moment; gives rows by table.

    The folder appears under its name once it is whole.

    Raises:
        RequestError: The folder is there already.
        WarehouseError: It cannot be written.
    """
    if out.exists():
        found = "the folder for the records is there already"
        raise RequestError(found, where=out.name, remedy="name a new folder with --out")
    draft = out.with_name(f"{out.name}.draft")
    with files_told(out):
        draft.mkdir(parents=True, exist_ok=True)
    with store.transaction():
        counts = {table: _write(store, table, draft) for table in TABLES}
    with files_told(out):
        draft.rename(out)
        sync_folder(out.parent)
    return counts


def _write(store: Connection, table: str, folder: Path) -> int:
    """One table. Enumerations are written as the text they are: other readers of Parquet know no such type."""
    path = text(str(folder / f"{table}.parquet"))
    listed = ", ".join(
        f"cast({name(column)} as varchar) as {column}" if kind.startswith("ENUM") else name(column)
        for _, column, kind, *_ in store.rows(f"pragma table_info({text(table)})")
    )
    store.execute(f"copy (select {listed} from menton.main.{name(table)}) to {path} (format parquet, compression zstd)")
    n: int = store.value(f"select count(*) from menton.main.{table}")
    return n
