"""Records in Parquet on a cluster, built with Spark: our statements translated, their results written as Parquet.

Nothing here computes a figure. Every table made is written and read back, so that a part of the cluster that is lost on
the way costs the step at work, not the ones before it.
"""

import logging
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any

import polars as pl

from warehouse.engine.dialect import translated
from warehouse.engine.place import FAMILIES, Family
from warehouse.errors import EngineError
from warehouse.store.quoting import name

_TYPES = {"INTEGER": "int", "BIGINT": "bigint", "DOUBLE": "double", "VARCHAR": "string", "BOOLEAN": "boolean"}
"""SQL type -> Spark's word for it; times are kept as they lie."""


class SparkPlace:
    """A Spark session over a folder of records, and the folder its marts are written to; any worker can reach both."""

    engine = "spark"

    def __init__(self, session: Any, records: str, out: str) -> None:  # noqa: ANN401 - pyspark ships no types here
        self.session = session
        self._records, self.out = records.rstrip("/"), out.rstrip("/")
        # pyspark writes the whole trace of an error we turn into words to standard error
        logging.getLogger("SQLQueryContextLogger").disabled = True

    def execute(self, sql: str, parameters: Sequence[object] | None = None) -> None:
        """Make, add to or drop a table, or make a view; what concerns a DuckDB session only is passed over."""
        statement = translated(sql, parameters)
        with _told(statement.table or statement.text[:60]):
            match statement.kind:
                case "table":
                    self._write(statement.table, self.session.sql(statement.text), mode="error")
                case "append":
                    added = self.session.sql(statement.text).select(*self.columns(statement.table))
                    self._write(statement.table, added, mode="append")
                case "view" | "scratch":
                    self.session.sql(statement.text).createOrReplaceTempView(statement.table)
                case "drop":
                    self.session.catalog.dropTempView(statement.table)
                case "query":
                    self.session.sql(statement.text).collect()
                case "session":
                    pass

    def _write(self, table: str, frame: Any, *, mode: str) -> None:  # noqa: ANN401 - a frame of Spark
        path = f"{self.out}/{name(table)}.parquet"
        frame.write.mode(mode).parquet(path)
        self.session.read.schema(frame.schema).parquet(path).createOrReplaceTempView(table)

    def rows(self, sql: str, parameters: Sequence[object] | None = None) -> list[tuple[Any, ...]]:
        statement = translated(sql, parameters)
        with _told(statement.text[:60]):
            return [tuple(row) for row in self.session.sql(statement.text).collect()]

    def value(self, sql: str, parameters: Sequence[object] | None = None) -> Any:  # noqa: ANN401
        rows = self.rows(sql, parameters)
        return rows[0][0] if rows else None

    def frame(self, sql: str, parameters: Sequence[object] | None = None) -> pl.DataFrame:
        import polars as pl

        statement = translated(sql, parameters)
        with _told(statement.text[:60]):
            found = pl.from_arrow(self.session.sql(statement.text).toArrow())
        if not isinstance(found, pl.DataFrame):  # pragma: no cover - a query always gives a table
            raise TypeError("a query gave no table")
        return found

    def columns(self, table: str) -> list[str]:
        with _told(table):
            return list(self.session.table(name(table)).columns)

    @contextmanager
    def given(self, **frames: pl.DataFrame) -> Iterator[None]:
        for table, frame in frames.items():
            with _told(table):
                self.session.createDataFrame(frame.to_arrow()).createOrReplaceTempView(table)
        try:
            yield
        finally:
            for table in frames:
                self.session.catalog.dropTempView(table)

    def families(self, table: str) -> dict[str, Family] | None:
        with _told(f"{table}.parquet"):
            try:
                fields = self.session.read.parquet(f"{self._records}/{table}.parquet").schema.fields
            except Exception as error:
                if _is_absent(error):
                    return None
                raise
        # a server may answer for an absent table with one that has no columns
        return {field.name: FAMILIES["spark"].get(field.dataType.typeName(), "other") for field in fields} or None

    def offer(self, table: str, columns: Mapping[str, str]) -> None:
        listed = [
            f"cast({name(column)} as {_TYPES[kind]}) as {column}" if kind in _TYPES else name(column)
            for column, kind in columns.items()
        ]
        with _told(f"{table}.parquet"):
            frame = self.session.read.parquet(f"{self._records}/{table}.parquet").selectExpr(*listed)
            frame.createOrReplaceTempView(table)

    def finish(self) -> None:
        """Nothing is left to write: every mart was written when it was made."""

    def keep(self, table: str, frame: pl.DataFrame) -> None:
        with _told(table):
            path = f"{self.out}/{table}.parquet"
            self.session.createDataFrame(frame.to_arrow()).coalesce(1).write.mode("error").parquet(path)

    def close(self) -> None:
        """End the session."""
        self.session.stop()


def _is_absent(error: Exception) -> bool:
    """Whether the cluster says that there is no such table, or a folder without any file of Parquet."""
    signs = ("PATH_NOT_FOUND", "UNABLE_TO_INFER_SCHEMA", "No files found", "not found")
    return any(sign in str(error) for sign in signs)


@contextmanager
def _told(where: str) -> Iterator[None]:
    """Turn what the cluster says into an error a person can act on; its text may hold values and is left out.

    Raises EngineError: the statement failed on the cluster, or the cluster went away.
    """
    from pyspark.errors import PySparkException

    try:
        yield
    except PySparkException as error:
        if "PATH_ALREADY_EXISTS" in str(error) or "path already exists" in str(error):
            found, remedy = "the folder for the marts holds a table of this name", "name a new folder with --out"
            raise EngineError(found, where=where, remedy=remedy) from error
        raise _failed(where, error) from error
    except Exception as error:
        # py4j and grpc each have errors of their own, and either may be absent
        if type(error).__module__.split(".")[0] not in {"py4j", "grpc"}:
            raise
        raise _failed(where, error) from error


def _failed(where: str, error: Exception) -> EngineError:
    condition = getattr(error, "getCondition", lambda: None)() or type(error).__name__
    return EngineError(
        f"the cluster could not carry out a statement ({condition})",
        where=where,
        remedy="see the log of the Spark application; what was written to --out is not whole, remove it first",
    )
