"""The store takes exactly the codes of the contract."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest

from pipelines.contract.contract import load_contract
from warehouse.store.store import open_store

TABLES = ("cases", "phases", "visits", "landmarks")
COLUMNS = [
    (table, column.name, str(column.codes))
    for table in TABLES
    for column in load_contract().table(table).columns
    if column.kept and column.type == "code"
] + [("readings", "timepoint", "timepoint")]


@pytest.fixture(scope="module")
def stored(tmp_path_factory: pytest.TempPathFactory) -> dict[tuple[str, str], str]:
    with open_store(tmp_path_factory.mktemp("store"), create=True) as store:
        rows = store.rows("select table_name, column_name, data_type from duckdb_columns()")
    return {(table, column): kind for table, column, kind in rows}


@pytest.mark.parametrize(("table", "column", "codes"), COLUMNS)
def test_a_coded_column_takes_the_codes_of_the_contract(
    stored: dict[tuple[str, str], str], table: str, column: str, codes: str
) -> None:
    listed = ", ".join(f"'{code.code}'" for code in load_contract().codes[codes])
    assert stored[table, column] == f"ENUM({listed})"


def test_any_other_code_is_refused(tmp_path: Path) -> None:
    with open_store(tmp_path, create=True) as store, pytest.raises(duckdb.ConversionException):
        store.execute("insert into visits (case_no, load_id, row_no, timepoint) values (1, 1, 2, 'later')")
