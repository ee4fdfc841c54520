"""Publishing: readers see a whole snapshot, and only what is new is built."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.hand_made import load_rows, made_case
from warehouse.errors import WarehouseError
from warehouse.marts.publish import publish
from warehouse.marts.reader import Reader
from warehouse.plans.plan import registered_plans
from warehouse.questions.shares import rates
from warehouse.store.snapshot import POINTER, current_snapshot
from warehouse.store.storage import Connection
from warehouse.store.store import open_store

PAIR = {"sn_gogn_deg_start": 32.0, "sn_gogn_deg_finish": 34.0}


def test_publishing_the_same_state_again_changes_nothing(tmp_path: Path) -> None:
    load_rows(tmp_path, [made_case("a", **PAIR)])
    first = current_snapshot(tmp_path)
    with open_store(tmp_path) as store:
        assert publish(tmp_path, store) == first


def test_a_new_load_gets_a_new_build(tmp_path: Path) -> None:
    load_rows(tmp_path, [made_case("a", **PAIR)])
    first = current_snapshot(tmp_path).build_id
    load_rows(tmp_path, [made_case("b", **PAIR)], source="more.csv")
    assert current_snapshot(tmp_path).build_id != first


def test_an_open_reader_keeps_its_snapshot_while_another_is_published(tmp_path: Path) -> None:
    load_rows(tmp_path, [made_case("a", **PAIR)])
    with Reader.open(tmp_path) as reader:
        load_rows(tmp_path, [made_case("b", **PAIR)], source="more.csv")
        assert reader.connection.value("select count(*) from mart_cases") == 1
    with Reader.open(tmp_path) as later:
        assert later.connection.value("select count(*) from mart_cases") == 2


def test_only_a_few_snapshots_are_kept(tmp_path: Path) -> None:
    for number in range(4):
        load_rows(tmp_path, [made_case(f"case {number}", **PAIR)], source=f"{number}.csv")
    assert len(list(tmp_path.glob("mart-*.duckdb"))) == 2


def test_a_left_over_draft_is_no_snapshot_and_goes(tmp_path: Path) -> None:
    load_rows(tmp_path, [made_case("a", **PAIR)])
    leftover = tmp_path / "mart-0002-abcdef12.draft.duckdb"
    leftover.write_bytes(b"half written")
    load_rows(tmp_path, [made_case("b", **PAIR)], source="more.csv")
    assert not leftover.exists()


@pytest.mark.parametrize("text", ["", "{", "[]", '{"build": "x"}'])
def test_a_damaged_pointer_says_how_to_mend_it(tmp_path: Path, text: str) -> None:
    load_rows(tmp_path, [made_case("a", **PAIR)])
    (tmp_path / POINTER).write_text(text, encoding="utf-8")
    with pytest.raises(WarehouseError, match="menton publish"):
        current_snapshot(tmp_path)
    with open_store(tmp_path) as store:
        publish(tmp_path, store)
    assert current_snapshot(tmp_path).path.exists()


def test_a_pointer_cannot_lead_out_of_the_folder(tmp_path: Path) -> None:
    inside = tmp_path / "w"
    load_rows(inside, [made_case("a", **PAIR)])
    outside = tmp_path / "elsewhere.duckdb"
    outside.write_bytes(b"x")
    data = json.loads((inside / POINTER).read_text(encoding="utf-8"))
    (inside / POINTER).write_text(json.dumps({**data, "file": "../elsewhere.duckdb"}), encoding="utf-8")
    with pytest.raises(WarehouseError, match="missing"):
        current_snapshot(inside)


def change_the_snapshot(folder: Path, statement: str) -> None:
    """What another version would have published."""
    connection = Connection(current_snapshot(folder).path)
    connection.execute(statement)
    connection.close()


def test_a_snapshot_without_a_table_that_is_read_now_says_to_publish_again(tmp_path: Path) -> None:
    load_rows(tmp_path, [made_case("a", **PAIR)])
    change_the_snapshot(tmp_path, "drop table mart_plans")
    with Reader.open(tmp_path) as reader:
        with pytest.raises(WarehouseError, match=r"older than this version of Menton: it has no table mart_plans"):
            registered_plans(reader)
        with pytest.raises(WarehouseError, match=r"run `menton publish`"):
            reader.connection.frame("select * from mart_plans")
    with open_store(tmp_path) as store:
        publish(tmp_path, store, again=True)
    with Reader.open(tmp_path) as reader:
        assert registered_plans(reader) == ()


def test_a_snapshot_without_a_column_that_is_read_now_says_so(tmp_path: Path) -> None:
    load_rows(tmp_path, [made_case("a", **PAIR)])
    change_the_snapshot(tmp_path, "alter table mart_cases drop column extraction")
    with Reader.open(tmp_path) as reader, pytest.raises(WarehouseError, match="it has no column extraction"):
        rates(reader, by="extraction")


def test_a_mistake_in_a_statement_stays_what_it_is(tmp_path: Path) -> None:
    load_rows(tmp_path, [made_case("a", **PAIR)])
    with Reader.open(tmp_path) as reader, pytest.raises(Exception, match="Parser Error"):
        reader.connection.rows("selec 1")
    with open_store(tmp_path) as store, pytest.raises(Exception, match="Catalog Error"):
        store.rows("select * from mart_plans")
