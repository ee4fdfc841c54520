"""The tables of the records as they lie in Parquet: which, with which columns, of which type; and writing them.

It is the store's own schema, read from a fresh store, so that there is no second text of it. Each table is a file or a
folder ``<table>.parquet``. ``readings`` has a column of numbers for each measure in addition.
"""

import re
import tempfile
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from warehouse.engine.place import FAMILIES, Family
from warehouse.errors import RequestError
from warehouse.private_files import sync_folder
from warehouse.store.quoting import name as checked
from warehouse.store.quoting import text
from warehouse.store.storage import Connection, files_told
from warehouse.store.store import migrations, open_store

TABLES = (
    "migrations", "loads", "case_registry", "cases", "phases", "visits", "readings", "landmarks", "turned_away",
    "remarks", "registrations",
)  # fmt: skip
"""Tables of the store that the marts are made from, in the order in which they are looked at."""


@dataclass(frozen=True, slots=True)
class StoredColumn:
    """One column of a table of the records."""

    name: str
    type: str
    is_required: bool
    codes: tuple[str, ...] = ()  # The codes it must come from; empty where it is not a column of codes

    def accepts(self, family: Family) -> bool:
        """Whether a column that holds this can be read as this one."""
        return family in FAMILIES["accepted"][self.type]

    @property
    def words(self) -> str:
        """What it must hold."""
        said: str = FAMILIES["words"][FAMILIES["accepted"][self.type][0] if self.type != "DOUBLE" else "number"]
        return said


@lru_cache(maxsize=1)
def layout() -> dict[str, tuple[StoredColumn, ...]]:
    """Table -> its columns, as the newest schema has them."""
    with tempfile.TemporaryDirectory() as folder, open_store(Path(folder), create=True) as store:
        return {
            table: tuple(
                _column(name, kind, is_required=bool(not_null) or bool(key))
                for _, name, kind, not_null, _, key in store.rows(f"pragma table_info('{table}')")
            )
            for table in TABLES
        }


def _column(name: str, kind: str, *, is_required: bool) -> StoredColumn:
    """A column as the store describes it; an enumeration lies as text in Parquet."""
    if not kind.startswith("ENUM"):
        return StoredColumn(name, kind, is_required)
    codes = tuple(code.replace("''", "'") for code in re.findall(r"'((?:[^']|'')*)'", kind))
    return StoredColumn(name, "VARCHAR", is_required, codes)


def schema_number() -> int:
    """The number of the newest schema."""
    return max(number for number, _, _ in migrations())


def write_records(store: Connection, out: Path) -> dict[str, int]:
    """Write every table that marts are made from, all as of one moment; gives rows by table.

    The folder appears under its name once it is whole. Raises RequestError: the folder is there already;
    WarehouseError: it cannot be written.
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
        f"cast({checked(column)} as varchar) as {column}" if kind.startswith("ENUM") else checked(column)
        for _, column, kind, *_ in store.rows(f"pragma table_info({text(table)})")
    )
    store.execute(
        f"copy (select {listed} from menton.main.{checked(table)}) to {path} (format parquet, compression zstd)"
    )
    n: int = store.value(f"select count(*) from menton.main.{table}")
    return n
