"""The store: migrations, refusals, transactions."""

from __future__ import annotations

from datetime import UTC, date, datetime
from math import inf, nan
from pathlib import Path

import duckdb
import pytest
from hypothesis import given
from hypothesis import strategies as st

from warehouse.errors import KeyProblemError, WarehouseError
from warehouse.store.storage import Connection, with_values
from warehouse.store.store import migrate, migrations, open_store


def test_a_folder_without_a_warehouse_says_what_to_do(tmp_path: Path) -> None:
    with pytest.raises(WarehouseError, match="menton ingest PATH"):
        open_store(tmp_path / "nothing")


def test_migrations_are_applied_once_and_recorded(tmp_path: Path) -> None:
    with open_store(tmp_path / "w", create=True) as store:
        applied = store.rows("select number, name from migrations order by number")
        assert applied == [(number, name) for number, name, _ in migrations()]
        assert migrate(store) == []


def test_an_altered_migration_is_refused(tmp_path: Path) -> None:
    with open_store(tmp_path / "w", create=True) as store:
        store.execute("update migrations set sha256 = 'other'")
    with pytest.raises(WarehouseError, match="is not the one this warehouse was made with"):
        open_store(tmp_path / "w")


def test_a_newer_schema_is_refused(tmp_path: Path) -> None:
    with open_store(tmp_path / "w", create=True) as store:
        store.execute("insert into migrations values (999, '0999_later.sql', 'x', now()::timestamp)")
    with pytest.raises(WarehouseError, match="schema 999"):
        open_store(tmp_path / "w")


def test_a_failed_transaction_leaves_nothing(tmp_path: Path) -> None:
    with open_store(tmp_path / "w", create=True) as store:
        with pytest.raises(ZeroDivisionError), store.transaction():
            store.execute("insert into case_registry values (1, 'HARBOUR', 'k')")
            raise ZeroDivisionError
        assert store.value("select count(*) from case_registry") == 0


def test_a_damaged_file_is_named_and_not_traced(tmp_path: Path) -> None:
    (tmp_path / "store.duckdb").write_bytes(b"not a database" * 1000)
    with pytest.raises(WarehouseError, match="damaged"):
        open_store(tmp_path)


def test_an_encrypted_store_opens_only_with_its_key(tmp_path: Path) -> None:
    open_store(tmp_path, create=True, key="a-long-enough-key-1").close()
    with pytest.raises(KeyProblemError, match="does not open this warehouse"):
        open_store(tmp_path, key="another-key-entirely")
    with pytest.raises(KeyProblemError, match="no key was given"):
        open_store(tmp_path)
    with open_store(tmp_path, key="a-long-enough-key-1") as store:
        assert store.value("select count(*) from migrations") == len(migrations())


def test_a_key_with_a_quote_is_taken_as_it_is(tmp_path: Path) -> None:
    key = "it's a key; drop table loads; --"
    open_store(tmp_path, create=True, key=key).close()
    with open_store(tmp_path, key=key) as store:
        assert store.value("select count(*) from loads") == 0


def test_the_store_refuses_rows_that_break_its_constraints(tmp_path: Path) -> None:
    with open_store(tmp_path, create=True) as store, pytest.raises(duckdb.ConstraintException):
        store.execute(
            "insert into loads values (1, 'P', 'wide', 'cases', 'f', null, repeat('a', 64), 1, 'r', now()::timestamp,"
            " '0', '1', '[]', 10, 5, 4)"
        )


def test_given_frames_are_readable_only_inside_the_block(tmp_path: Path) -> None:
    import polars as pl

    with Connection(tmp_path / "x.duckdb") as connection:
        with connection.given(incoming=pl.DataFrame({"a": [1, 2]})):
            assert connection.value("select sum(a) from incoming") == 3
        with pytest.raises(duckdb.CatalogException):
            connection.value("select sum(a) from incoming")


BOUND = [
    None, True, False, 0, -5, 2**31 - 1, 2**31, -(2**31) - 1, 2**63, 2**64, -(2**127),
    0.1, -0.0, 5e-324, 1.7976931348623157e308, inf, -inf, nan,
    "", "it's", "'; drop table loads; --", "\\", "?", "$1 $$ /* --", '"a"', "\u00a0\u2019é😀", "a\0b", "line\nline",
    date(1, 1, 1), date(2024, 2, 29), datetime(2024, 2, 29, 23, 59, 59, 999_999), datetime(2024, 1, 1, tzinfo=UTC),
    [], [1, 2], [1, 2.5], [None], ["it's", "?", None], (2**40, 1), [["a"], []],
]  # fmt: skip


def same_as_bound(value: object) -> None:
    """DuckDB's own binding is what a literal is held against: its type and its value."""
    asked = "select '?', typeof(?), ?, \"?\" /* ? */ from (select 1 as \"?\") where 'é' = 'é' -- ?"
    with duckdb.connect() as raw:
        assert repr(raw.execute(with_values(asked, [value, value])).fetchall()) == repr(
            raw.execute(asked, [value, value]).fetchall()
        )


@pytest.mark.parametrize("value", BOUND, ids=ascii)
def test_a_value_in_a_statement_is_what_duckdb_would_bind(value: object) -> None:
    same_as_bound(value)


@given(st.text(st.characters(exclude_categories=["Cs"])) | st.floats() | st.integers(-(2**127), 2**127 - 1))
def test_any_text_and_number_in_a_statement_is_what_duckdb_would_bind(value: object) -> None:
    same_as_bound(value)


def test_values_go_to_their_places_in_order() -> None:
    with duckdb.connect() as raw:
        found = raw.execute(with_values("select ?||'é?'||?, ?::int+?", ["a?", "b", "1", 2])).fetchone()
    assert found == ("a?é?b", 3)


@pytest.mark.parametrize("values", [["a"], ["a", "b", "c"]])
def test_too_few_or_too_many_values_are_an_error(values: list[str]) -> None:
    with pytest.raises(ValueError, match=f"2 places for {len(values)} values"):
        with_values("select ?, ?", values)


@pytest.mark.parametrize("value", [object(), {"a": 1}, b"a", 2**128])
def test_a_value_without_a_literal_is_an_error(value: object) -> None:
    with pytest.raises(TypeError, match="no literal"):
        with_values("select ?", [value])
