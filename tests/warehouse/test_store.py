"""The store: migrations, refusals, transactions."""

from __future__ import annotations

from pathlib import Path

import pytest

from warehouse.errors import KeyProblemError, WarehouseError
from warehouse.store.storage import Connection
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
    import duckdb

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
        import duckdb

        with pytest.raises(duckdb.CatalogException):
            connection.value("select sum(a) from incoming")
