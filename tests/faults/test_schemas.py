"""Every schema a warehouse ever had: a kept example is brought up to date with its rows, publishes and verifies."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from pipelines.cli import main
from tests.faults.keep_schema import CASES, example, unpack
from tests.hand_made import load_rows, made_case
from warehouse.errors import WarehouseError
from warehouse.marts.reader import Reader
from warehouse.store.storage import Connection
from warehouse.store.store import STORE, migrations, open_store
from warehouse.upkeep.verify import verify

NUMBERS = [number for number, _, _ in migrations()]
KEPT = ("loads", "case_registry", "cases", "phases", "visits", "readings", "turned_away", "remarks", "registrations")


def rows_of(store: Connection, columns: dict[str, list[str]]) -> dict[str, list[tuple[Any, ...]]]:
    """The rows of each table, in the order of their text: a column may become another type with the same values."""
    return {
        table: sorted(store.rows(f"select {', '.join(names)} from {table}"), key=str)
        for table, names in columns.items()
    }


def columns_of(store: Connection) -> dict[str, list[str]]:
    found = store.rows("select table_name, column_name from duckdb_columns() where database_name = 'menton'")
    return {table: [f'"{column}"' for name, column in found if name == table] for table in KEPT}


def schema_of(folder: Path) -> int:
    with Connection(folder / STORE, read_only=True) as store:
        return int(store.value("select max(number) from migrations"))


def test_every_schema_has_a_kept_example() -> None:
    """A new migration needs its own: see the recipe in DEVELOPERS.md."""
    assert list(range(1, len(NUMBERS) + 1)) == NUMBERS
    assert [number for number in NUMBERS if not example(number).exists()] == []


@pytest.mark.parametrize("number", NUMBERS)
def test_a_kept_example_is_brought_up_to_date_with_all_its_rows(number: int, tmp_path: Path) -> None:
    folder = unpack(number, tmp_path)
    assert schema_of(folder) == number
    found = verify(folder)
    assert found.is_sound
    assert any("are to come" in note for note in found.notes) == (number < NUMBERS[-1])
    with Connection(folder / STORE, read_only=True) as store:
        columns = columns_of(store)
        before = rows_of(store, columns)
    assert all(before[table] for table in KEPT)
    with open_store(folder) as store:
        assert rows_of(store, columns) == before
    assert schema_of(folder) == NUMBERS[-1]
    assert main(["publish", "--warehouse", str(folder)]) == 0
    assert verify(folder).is_sound
    assert verify(folder).notes == ()
    with Reader.open(folder) as reader:
        assert reader.connection.value("select count(*) from mart_cases") == CASES
        changes = reader.connection.rows("select round(sn_gogn_deg__after - sn_gogn_deg__before, 6) from mart_spans")
        assert sorted(change for (change,) in changes) == [1 + n / 2 for n in range(CASES)]
        assert reader.connection.value("select count(*) from mart_cases where status = 'no_return'") == 1
    load_rows(folder, [made_case("kept 3", sn_gogn_deg_start=30.0, sn_gogn_deg_finish=64.0)], source="corrected.csv")
    with Reader.open(folder) as reader:
        assert reader.connection.value("select count(*) from mart_cases") == CASES
        assert reader.connection.value("select max(sn_gogn_deg__after) from mart_spans") == pytest.approx(64.0)
    assert verify(folder).is_sound


def test_a_store_newer_than_this_program_is_refused_in_plain_words_and_left_as_it_is(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = unpack(NUMBERS[-1], tmp_path)
    with Connection(folder / STORE) as store:
        store.execute(f"insert into migrations values ({NUMBERS[-1] + 1}, 'x', repeat('0', 64), now()::timestamp)")
    before = (folder / STORE).read_bytes()
    with pytest.raises(WarehouseError, match=f"has schema {NUMBERS[-1] + 1}, this program knows schemas up to"):
        open_store(folder)
    for words in (["publish"], ["ingest", str(folder / STORE)], ["rekey", "--no-encryption"]):
        assert main([*words, "--warehouse", str(folder)]) != 0
    said = capsys.readouterr().err
    assert "use the newer version of menton that made it" in said
    assert "Traceback" not in said
    assert main(["verify", "--warehouse", str(folder)]) == 1
    assert f"migration {NUMBERS[-1] + 1} of the store is not one this program ships" in capsys.readouterr().out
    assert (folder / STORE).read_bytes() == before


def test_a_shipped_migration_that_was_altered_is_refused(tmp_path: Path) -> None:
    folder = unpack(NUMBERS[-1], tmp_path)
    with Connection(folder / STORE) as store:
        store.execute("update migrations set sha256 = repeat('0', 64) where number = 1")
    with pytest.raises(WarehouseError, match="is not the one this warehouse was made with"):
        open_store(folder)
    assert not verify(folder).is_sound
