"""Backup and restore: what was copied comes back the same, and nothing is replaced by a damaged copy."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from pipelines.cli import main
from tests.hand_made import load_rows, made_case, sorted_delivery
from tests.warm import python
from warehouse.errors import BadFileError, BusyError, KeyProblemError, RequestError
from warehouse.marts.publish import publish
from warehouse.marts.reader import Reader
from warehouse.store.storage import Connection
from warehouse.store.store import STORE, open_store
from warehouse.upkeep.backup import MANIFEST, backup, read_backup, restore
from warehouse.upkeep.rekey import rekey
from warehouse.upkeep.verify import verify

KEY = "an-encryption-key-of-the-tests"
ROWS = [made_case(f"case {n}", sn_gogn_deg_start=32.0, sn_gogn_deg_finish=33.0 + n) for n in range(4)]


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("kept") / "w"
    load_rows(folder, ROWS)
    return folder


def changes(folder: Path, key: str | None = None) -> list[tuple[object, ...]]:
    with Reader.open(folder, key=key) as reader:
        return reader.connection.rows("select case_no, sn_gogn_deg__after from mart_spans order by all")


def everything(folder: Path) -> dict[str, list[tuple[object, ...]]]:
    with Connection(folder / STORE, read_only=True) as store:
        tables = [table for (table,) in store.rows("select table_name from duckdb_tables() order by 1")]
        return {table: store.rows(f"select * from {table} order by all") for table in tables}


def test_a_backup_restored_is_the_warehouse_it_was_made_of(kept: Path, tmp_path: Path) -> None:
    made = backup(kept, tmp_path / "b")
    assert (made.n_loads, made.n_cases, made.is_encrypted) == (1, 4, False)
    found, aside = restore(tmp_path / "b", tmp_path / "w")
    assert found == made
    assert aside is None
    assert everything(tmp_path / "w") == everything(kept)
    assert changes(tmp_path / "w") == changes(kept)
    assert verify(tmp_path / "w").is_sound


def test_a_restored_warehouse_takes_further_loads(kept: Path, tmp_path: Path) -> None:
    backup(kept, tmp_path / "b")
    restore(tmp_path / "b", tmp_path / "w")
    load_rows(tmp_path / "w", [made_case("one more")], source="more.csv")
    assert verify(tmp_path / "w").is_sound
    with pytest.raises(Exception, match="constraint"):
        alter = "insert into loads select * replace (-1 as n_loaded) from loads limit 1"
        with Connection(tmp_path / "w" / STORE) as store:
            store.execute(alter)


def test_the_same_warehouse_can_be_read_while_it_is_copied(kept: Path, tmp_path: Path) -> None:
    with Reader.open(kept) as reader:
        backup(kept, tmp_path / "b")
        assert reader.connection.value("select count(*) from mart_cases") == 4


def test_one_changed_byte_of_a_backup_is_refused_before_anything_is_replaced(kept: Path, tmp_path: Path) -> None:
    made = backup(kept, tmp_path / "b")
    shutil.copytree(kept, tmp_path / "w")
    before = everything(tmp_path / "w")
    for name in made.files:
        whole = (tmp_path / "b" / name).read_bytes()
        (tmp_path / "b" / name).write_bytes(whole[:-1] + bytes([whole[-1] ^ 1]))
        with pytest.raises(BadFileError, match="changed or is damaged"):
            restore(tmp_path / "b", tmp_path / "w", replace=True)
        (tmp_path / "b" / name).write_bytes(whole)
    assert everything(tmp_path / "w") == before
    assert [path.name for path in tmp_path.iterdir() if path.name.startswith("w")] == ["w"]


def test_a_missing_file_and_a_missing_manifest_are_told(kept: Path, tmp_path: Path) -> None:
    backup(kept, tmp_path / "b")
    (tmp_path / "b" / STORE).unlink()
    with pytest.raises(BadFileError, match="missing"):
        read_backup(tmp_path / "b")
    (tmp_path / "b" / MANIFEST).unlink()
    with pytest.raises(BadFileError, match="no complete backup"):
        read_backup(tmp_path / "b")


@pytest.mark.parametrize("text", ["", "[]", '{"format": 9}', '{"format": 1}', '{"format": 1, "files": []}'])
def test_a_damaged_manifest_is_told(tmp_path: Path, text: str) -> None:
    (tmp_path / MANIFEST).write_text(text, encoding="utf-8")
    with pytest.raises(BadFileError):
        read_backup(tmp_path)


def test_a_manifest_cannot_lead_out_of_its_folder(kept: Path, tmp_path: Path) -> None:
    backup(kept, tmp_path / "b")
    stated = json.loads((tmp_path / "b" / MANIFEST).read_text(encoding="utf-8"))
    stated["files"]["../../outside"] = "0" * 64
    (tmp_path / "b" / MANIFEST).write_text(json.dumps(stated), encoding="utf-8")
    with pytest.raises(BadFileError, match="missing"):
        restore(tmp_path / "b", tmp_path / "w")


def test_a_warehouse_that_is_there_is_moved_aside_only_when_asked(kept: Path, tmp_path: Path) -> None:
    backup(kept, tmp_path / "b")
    load_rows(tmp_path / "w", [made_case("another")])
    before = everything(tmp_path / "w")
    with pytest.raises(RequestError, match="--replace"):
        restore(tmp_path / "b", tmp_path / "w")
    assert everything(tmp_path / "w") == before
    _, aside = restore(tmp_path / "b", tmp_path / "w", replace=True)
    assert aside is not None
    assert everything(aside) == before
    assert everything(tmp_path / "w") == everything(kept)


def test_a_damaged_warehouse_can_be_replaced(kept: Path, tmp_path: Path) -> None:
    backup(kept, tmp_path / "b")
    (tmp_path / "w").mkdir()
    (tmp_path / "w" / STORE).write_bytes(b"no longer a database" * 1000)
    restore(tmp_path / "b", tmp_path / "w", replace=True)
    assert verify(tmp_path / "w").is_sound


def test_a_backup_goes_into_a_new_folder_outside_the_warehouse(kept: Path, tmp_path: Path) -> None:
    (tmp_path / "b").mkdir()
    (tmp_path / "b" / "something").write_text("x", encoding="utf-8")
    with pytest.raises(RequestError, match="not empty"):
        backup(kept, tmp_path / "b")
    with pytest.raises(RequestError, match="inside the warehouse"):
        backup(kept, kept / "b")
    assert not (kept / "b").exists()


def test_an_encrypted_backup_needs_its_key_and_holds_no_plain_text(kept: Path, tmp_path: Path) -> None:
    shutil.copytree(kept, tmp_path / "w")
    rekey(tmp_path / "w", key=None, new_key=KEY)
    made = backup(tmp_path / "w", tmp_path / "b", key=KEY)
    assert made.is_encrypted
    assert b"HARBOUR" not in (tmp_path / "b" / STORE).read_bytes()
    for wrong in (None, "another-key-of-some-length"):
        with pytest.raises(KeyProblemError):
            restore(tmp_path / "b", tmp_path / "new", key=wrong)
        assert not (tmp_path / "new").exists()
        assert not (tmp_path / "new.restoring").exists()
    restore(tmp_path / "b", tmp_path / "new", key=KEY)
    assert changes(tmp_path / "new", KEY) == changes(kept)


def test_the_command_says_that_the_case_key_is_not_in_it(
    kept: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    kept.with_name("w.key").write_text("the secret of the cases", encoding="utf-8")
    assert main(["backup", "--warehouse", str(kept), "--out", str(tmp_path / "b")]) == 0
    assert "case key is not in the backup" in capsys.readouterr().out
    assert not any(b"the secret of the cases" in path.read_bytes() for path in (tmp_path / "b").iterdir())
    assert main(["restore", "--warehouse", str(tmp_path / "w"), "--from", str(tmp_path / "b")]) == 0
    assert "every hash was checked" in capsys.readouterr().out
    assert main(["restore", "--warehouse", str(tmp_path / "w"), "--from", str(tmp_path / "b")]) == 1
    assert "--replace" in capsys.readouterr().err


def test_a_store_held_by_a_writer_is_not_copied_half(kept: Path, tmp_path: Path) -> None:
    import subprocess

    shutil.copytree(kept, tmp_path / "w")
    script = (
        "import sys; from pathlib import Path; from warehouse.store.store import open_store\n"
        "store = open_store(Path(sys.argv[1])); print('open', flush=True); sys.stdin.readline(); store.close()"
    )
    with subprocess.Popen(
        [python(), "-c", script, str(tmp_path / "w")], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as writer:
        assert writer.stdout is not None
        assert writer.stdout.readline() == "open\n"
        with pytest.raises(BusyError):
            backup(tmp_path / "w", tmp_path / "b", patience=0)
        with pytest.raises(BusyError):
            rekey(tmp_path / "w", key=None, new_key=KEY)
        assert not (tmp_path / "b").exists()
        told: list[str] = []

        def end(line: str) -> None:
            told.append(line)
            if writer.poll() is None:
                writer.communicate("\n")

        backup(tmp_path / "w", tmp_path / "b", progress=end)
    assert told[0] == "waiting for another menton command to end"
    assert read_backup(tmp_path / "b").n_cases == 4


def test_what_was_loaded_but_not_yet_published_is_in_the_backup(kept: Path, tmp_path: Path) -> None:
    from pipelines.ingest.loading import load

    shutil.copytree(kept, tmp_path / "w")
    with open_store(tmp_path / "w") as store:
        load(store, [(sorted_delivery([made_case("late")], source="late.csv"), "r")], contract_version="1")
    assert backup(tmp_path / "w", tmp_path / "b").n_cases == 5
    restore(tmp_path / "b", tmp_path / "new")
    with open_store(tmp_path / "new") as store:
        publish(tmp_path / "new", store)
    assert len(changes(tmp_path / "new")) == 4
    assert verify(tmp_path / "new").is_sound
