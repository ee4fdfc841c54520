"""Records in Parquet on this machine, built with DuckDB: the other side of the comparison with a cluster."""

from collections.abc import Mapping
from pathlib import Path

import polars as pl

from warehouse.engine.place import Family
from warehouse.errors import EngineError
from warehouse.store.quoting import name, text
from warehouse.store.storage import Connection, attach, files_told, refused_with

_SCRATCH = "records.draft.duckdb"
_MARTS = "marts.draft.duckdb"


class DuckPlace(Connection):
    """A DuckDB connection over a folder of records, and the folder its marts are written to.

    Raises EngineError: ``out`` holds files already.
    """

    engine = "duckdb"

    def __init__(self, records: str, out: str) -> None:
        self._records, self.out = Path(records), Path(out)
        with files_told(self.out):
            self.out.mkdir(parents=True, exist_ok=True)
            if any(self.out.iterdir()):
                found = "the folder for the marts is not empty"
                raise EngineError(found, where=self.out.name, remedy="name a new folder with --out")
        super().__init__(self.out / _SCRATCH)
        attach(self.raw, self.out / _MARTS, "mart")

    def families(self, table: str) -> dict[str, Family] | None:
        files = _files(self._records / f"{table}.parquet")
        if not files:
            return None
        with refused_with(_unreadable(table)):
            described = self.raw.execute(f"describe select * from {_source(files)}").fetchall()
        return {column: _family(kind) for column, kind, *_ in described}

    def offer(self, table: str, columns: Mapping[str, str]) -> None:
        listed = ", ".join(f"cast({name(column)} as {kind}) as {column}" for column, kind in columns.items())
        source = _source(_files(self._records / f"{table}.parquet"))
        with refused_with(_unreadable(table)):
            self.raw.execute(f"create view menton.main.{name(table)} as select {listed} from {source}")

    def finish(self) -> None:
        """Write every mart as Parquet, enumerations as plain text, and read them from there."""
        made = self.rows("select table_name from duckdb_tables() where database_name = 'mart' order by table_name")
        for (table,) in made:
            with files_told(self.out):
                self.execute(f"copy ({self._plain(table)}) to {text(str(self.out / f'{table}.parquet'))}")
        views = self.rows("select view_name from duckdb_views() where database_name = 'mart' and not internal")
        for (table,) in (*made, *views):
            self.execute(f"create view menton.main.{name(table)} as select * from mart.main.{table}")

    def _plain(self, table: str) -> str:
        described = self.rows(f"describe mart.main.{name(table)}")
        listed = ", ".join(
            f"cast({name(column)} as varchar) as {column}" if kind.startswith("ENUM") else name(column)
            for column, kind, *_ in described
        )
        return f"select {listed} from mart.main.{table}"

    def keep(self, table: str, frame: pl.DataFrame) -> None:
        with files_told(self.out):
            frame.write_parquet(self.out / f"{table}.parquet")

    def close(self) -> None:
        """Close the connection and remove what was only needed on the way."""
        super().close()
        with files_told(self.out):
            for draft in (_SCRATCH, _MARTS):
                for path in (self.out / draft, self.out / f"{draft}.wal"):
                    path.unlink(missing_ok=True)


def _unreadable(table: str) -> EngineError:
    found = f"the table {table} of the records cannot be read as Parquet"
    remedy = "write it again: it is damaged, or its parts have different columns"
    return EngineError(found, where=f"{table}.parquet", remedy=remedy)


def _files(path: Path) -> list[str]:
    """The file, or the Parquet files below the folder."""
    found = [path] if path.is_file() else []
    if path.is_dir():
        found = sorted(one for one in path.rglob("*.parquet") if one.is_file() and not one.name.startswith("."))
    for one in found:
        if not one.resolve().is_relative_to(path.parent.resolve()):
            said = "a link among the records leads to a file outside their folder"
            raise EngineError(said, where=one.name, remedy="put the file itself there, or take the link out")
    return [str(one) for one in found]


def _source(files: list[str]) -> str:
    return f"read_parquet([{', '.join(text(one) for one in files)}])"


def _family(kind: str) -> Family:
    if kind in {"TINYINT", "SMALLINT", "INTEGER", "BIGINT", "UTINYINT", "USMALLINT", "UINTEGER", "UBIGINT", "HUGEINT"}:
        return "whole"
    if kind in {"DOUBLE", "FLOAT"} or kind.startswith("DECIMAL"):
        return "number"
    if kind == "VARCHAR" or kind.startswith("ENUM"):
        return "text"
    if kind.startswith("TIMESTAMP") or kind == "DATE":
        return "time"
    return {"BOOLEAN": "truth", '"NULL"': "nothing"}.get(kind, "other")  # type: ignore[return-value]
