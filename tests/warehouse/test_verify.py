"""Verifying: a sound warehouse passes every check, and each kind of damage is found by its check."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from pipelines.cli import main
from tests.hand_made import load_rows, made_case
from warehouse.errors import KeyProblemError, WarehouseError
from warehouse.store.snapshot import POINTER, current_snapshot
from warehouse.store.storage import Connection
from warehouse.store.store import STORE
from warehouse.upkeep import verify as verifying
from warehouse.upkeep.verify import BUILD_CHECKS, ROW_CHECKS, STORE_CHECKS, verify

ROWS = [made_case(f"case {n}", sn_gogn_deg_start=32.0, sn_gogn_deg_finish=33.0) for n in range(5)]
CORRECTED = [made_case("case 0", sn_gogn_deg_start=32.0, sn_gogn_deg_finish=36.0)]


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("sound") / "w"
    load_rows(folder, ROWS)
    load_rows(folder, CORRECTED, source="corrected.csv")
    return folder


@pytest.fixture
def copy(sound: Path, tmp_path: Path) -> Path:
    shutil.copytree(sound, tmp_path / "w")
    return tmp_path / "w"


def alter(folder: Path, sql: str) -> None:
    with Connection(folder / STORE) as store:
        store.execute(sql)


def checks_failed(folder: Path) -> set[str]:
    return {fault.check for fault in verify(folder).faults}


def test_a_sound_warehouse_passes_every_check(sound: Path) -> None:
    found = verify(sound)
    assert found.is_sound
    assert found.notes == ()
    assert set(found.checks) >= {*STORE_CHECKS, *BUILD_CHECKS, *ROW_CHECKS, "published_hash_is_the_stated"}


def test_every_check_on_file_is_carried_out(sound: Path) -> None:
    folder = Path(verifying.__file__).parent / "checks"
    assert {path.stem for path in folder.glob("*.sql")} == {*STORE_CHECKS, *BUILD_CHECKS, *ROW_CHECKS}


DAMAGE = [
    ("insert into cases select * from cases where replaced_by is null limit 1", "keys_stand_once"),
    ("update readings set replaced_by = null", "keys_stand_once"),
    ("insert into case_registry select case_no, practice, 'other' from case_registry limit 1", "registry_stands_once"),
    ("insert into case_registry select 99, practice, case_key from case_registry limit 1", "registry_stands_once"),
    ("insert into case_registry values (99, 'HARBOUR', 'k')", "every_case_has_a_row"),
    ("delete from cases where load_id = 1 and row_no = 4", "loaded_rows_are_present"),
    ("insert into turned_away values (1, 'cases', 2, null, 'R', null, null)", "turned_away_rows_have_reasons"),
    ("insert into turned_away values (77, 'cases', 2, null, 'R', null, null)", "turned_away_rows_have_reasons"),
    ("update visits set case_no = 4242 where row_no = 3", "no_orphan_rows"),
    ("update readings set load_id = 55 where row_no = 3", "no_orphan_rows"),
    ("update readings set replaced_by = 55 where row_no = 3 and load_id = 1", "no_orphan_rows"),
    ("update cases set replaced_by = 1 where replaced_by = 2", "no_orphan_rows"),
    ("update publications set last_load = 9", "publications_are_of_loads"),
    ("delete from publications", "published_build_is_recorded"),
    ("update readings set repeat_no = 0 where row_no = 3", "repeats_are_counted"),
    ("update migrations set sha256 = 'x' where number = 1", "migrations_are_the_shipped"),
    ("delete from readings where replaced_by is null and row_no = 3", "published_rows_are_the_stored"),
    (
        "update registrations set body = '{' where entry = 1; insert into registrations"
        " values (1, 'definition', 'd', '1', '{', now()::timestamp)",
        "catalogues_are_well_formed",
    ),
]


@pytest.mark.parametrize(("sql", "check"), DAMAGE)
def test_each_kind_of_damage_is_found(copy: Path, sql: str, check: str) -> None:
    alter(copy, sql)
    assert check in checks_failed(copy)


def test_a_code_the_contract_does_not_know_is_found(copy: Path) -> None:
    labels = json.dumps(json.dumps({"sex": {"female": "girl", "male": "boy"}}))
    alter(copy, f"insert into registrations values (1, 'setting', 'labels', '1', '{labels}', now()::timestamp)")
    assert checks_failed(copy) == set()
    alter(copy, "update cases set sex = 'unknown' where row_no = 3")
    assert checks_failed(copy) == {"codes_are_known"}


def test_an_altered_snapshot_is_found(copy: Path) -> None:
    path = current_snapshot(copy).path
    with Connection(path) as mart:
        mart.execute("delete from mart_timeline where timepoint = 'start'")
    assert checks_failed(copy) == {"published_hash_is_the_stated", "published_rows_are_the_stored"}


def test_one_flipped_byte_of_the_snapshot_is_found(copy: Path) -> None:
    path = current_snapshot(copy).path
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 0xFF
    path.write_bytes(data)
    assert "published_hash_is_the_stated" in checks_failed(copy)


def test_a_damaged_block_of_the_store_is_found(copy: Path) -> None:
    path = copy / STORE
    data = bytearray(path.read_bytes())
    for at in range(3 * 4096 + 100, len(data), 4096):  # the first three blocks are headers; leave them whole
        data[at] ^= 0xFF
    path.write_bytes(data)
    try:
        failed = checks_failed(copy)
    except WarehouseError as error:
        assert "damaged" in error.found  # noqa: PT017 - either way of saying it is right
    else:
        assert "every_block_is_readable" in failed


def test_a_missing_snapshot_is_found_and_a_pointer_to_another_build_too(copy: Path) -> None:
    pointer = copy / POINTER
    stated = json.loads(pointer.read_text(encoding="utf-8"))
    pointer.write_text(json.dumps({**stated, "build": "0009-other"}), encoding="utf-8")
    assert checks_failed(copy) == {"pointer_names_its_build"}
    pointer.write_text(json.dumps({**stated, "file": "mart-none.duckdb"}), encoding="utf-8")
    assert checks_failed(copy) == {"published_snapshot_is_readable"}


def test_a_store_newer_than_the_snapshot_is_a_note_and_no_fault(copy: Path) -> None:
    alter(copy, "insert into registrations values (1, 'setting', 'x', '1', '\"y\"', now()::timestamp)")
    found = verify(copy)
    assert found.is_sound
    assert found.notes == ("the store is newer than what is published: run `menton publish`",)


def test_the_command_says_what_is_wrong_in_plain_words_and_gives_one(
    copy: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["verify", "--warehouse", str(copy)]) == 0
    assert "nothing wrong" in capsys.readouterr().out
    alter(copy, "insert into case_registry values (99, 'HARBOUR', 'k')")
    assert main(["verify", "--warehouse", str(copy)]) == 1
    said = capsys.readouterr().out
    assert "WRONG (every_case_has_a_row): a case that was registered has no row in force (99)" in said


def test_a_folder_without_a_warehouse_is_told(tmp_path: Path) -> None:
    with pytest.raises(WarehouseError, match="no warehouse here"):
        verify(tmp_path)


def test_a_key_for_a_plain_warehouse_is_told(sound: Path) -> None:
    with pytest.raises(KeyProblemError, match="not encrypted"):
        verify(sound, key="a-key-of-sixteen-or-more")
