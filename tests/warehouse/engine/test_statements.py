"""Every statement of a build is one that both DuckDB and Spark read, and its translation says the same."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
import sqlglot

from tests.warehouse.engine.conftest import Built, build_all
from tests.warehouse.engine.same_marts import assert_same_marts
from warehouse.engine.dialect import translated
from warehouse.engine.duck import DuckPlace

Parameters = Sequence[object] | None


class ThereAndBack(DuckPlace):
    """Runs what a statement becomes in Spark SQL, written back in DuckDB's dialect. Remembers what it was asked."""

    def __init__(self, records: str, out: str) -> None:
        self.asked: list[str] = []
        self._is_building = False
        super().__init__(records, out)
        self._is_building = True

    def _back(self, sql: str, parameters: Parameters) -> str:
        statement = translated(sql, parameters)
        self.asked.append(sql)
        text = sqlglot.transpile(statement.text, read="spark", write="duckdb")[0] if statement.text else sql
        return {
            "table": f"create table mart.main.{statement.table} as {text}",
            "view": f"create view mart.main.{statement.table} as {text}",
            "append": f"insert into mart.main.{statement.table} by name {text}",
        }.get(statement.kind, text)

    def execute(self, sql: str, parameters: Parameters = None) -> None:
        if self._is_building:
            sql, parameters = self._back(sql, parameters), None
        super().execute(sql, parameters)

    def rows(self, sql: str, parameters: Parameters = None) -> list[tuple[Any, ...]]:
        if self._is_building:
            sql, parameters = self._back(sql, parameters), None
        return super().rows(sql, parameters)

    def value(self, sql: str, parameters: Parameters = None) -> Any:
        rows = self.rows(sql, parameters)
        return rows[0][0] if rows else None

    def finish(self) -> None:
        self._is_building = False
        super().finish()
        self._is_building = True


def test_a_build_of_translated_statements_gives_the_same_marts(built: Built, tmp_path: Path) -> None:
    place = ThereAndBack(str(built.records), str(tmp_path / "marts"))
    build_all(place, built.records, tmp_path / "marts")
    assert assert_same_marts(built.marts, tmp_path / "marts") > 100_000
    made = {translated(sql).table for sql in place.asked if "create table" in sql[:20] and "?" not in sql}
    assert {"mart_timeline", "mart_cases", "mart_spans", "mart_results"} <= made


def test_a_statement_of_duckdb_alone_would_not_pass(built: Built, tmp_path: Path) -> None:
    with ThereAndBack(str(built.records), str(tmp_path / "marts")) as place, pytest.raises(Exception, match="at all"):
        place.execute("create table mart.main.x as select list(case_no order by case_no) as n from cases")
