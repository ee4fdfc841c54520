"""Encryption at rest: changing the key, and that nothing planted can be read in any file of the folder."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from pipelines.cli import main
from pipelines.ingest.loading import load
from tests.hand_made import load_rows, made_case, sorted_delivery
from warehouse.errors import KeyProblemError, RequestError
from warehouse.marts.publish import publish
from warehouse.marts.reader import Reader
from warehouse.store.snapshot import current_snapshot
from warehouse.store.storage import Connection
from warehouse.store.store import STORE, open_store
from warehouse.upkeep.rekey import rekey
from warehouse.upkeep.verify import verify

MARKER = "QXMARKERWZ7"
KEY, OTHER = "the-first-key-of-the-tests", "the-second-key-of-the-tests"
ROWS = [made_case("a", clinician=MARKER, sn_gogn_deg_start=32.0, sn_gogn_deg_finish=33.0)]


def files_with(folder: Path, marker: str = MARKER) -> set[str]:
    return {path.name for path in folder.rglob("*") if path.is_file() and marker.encode() in path.read_bytes()}


def clinicians(folder: Path, key: str | None) -> list[tuple[str]]:
    with Reader.open(folder, key=key) as reader:
        return reader.connection.rows("select clinician from mart_cases")


def test_a_plain_warehouse_is_encrypted_rekeyed_and_plain_again(tmp_path: Path) -> None:
    load_rows(tmp_path, ROWS)
    plain = files_with(tmp_path)
    assert STORE in plain, "the marker must be found in a plain file, or not finding it proves nothing"
    assert current_snapshot(tmp_path).path.name in plain
    for old, new in ((None, KEY), (KEY, OTHER)):
        rekey(tmp_path, key=old, new_key=new)
        assert files_with(tmp_path) == set()
        assert clinicians(tmp_path, new) == [(MARKER,)]
        assert verify(tmp_path, key=new).is_sound
        with pytest.raises(KeyProblemError):
            clinicians(tmp_path, old)
        with pytest.raises(KeyProblemError):
            open_store(tmp_path, key=old)
    rekey(tmp_path, key=OTHER, new_key=None)
    assert clinicians(tmp_path, None) == [(MARKER,)]


def test_a_wrong_key_is_told_and_changes_nothing(tmp_path: Path) -> None:
    load_rows(tmp_path, ROWS)
    rekey(tmp_path, key=None, new_key=KEY)
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir() if path.is_file()}
    with pytest.raises(KeyProblemError, match="does not open this warehouse"):
        rekey(tmp_path, key=OTHER, new_key="a-third-key-of-the-tests")
    with pytest.raises(KeyProblemError, match="no key was given"):
        rekey(tmp_path, key=None, new_key=OTHER)
    with pytest.raises(RequestError, match="present one"):
        rekey(tmp_path, key=KEY, new_key=KEY)
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir() if path.is_file()} == before


@pytest.mark.parametrize(("key", "is_found"), [(None, True), (KEY, False)])
def test_no_marker_is_readable_in_the_log_of_writes(tmp_path: Path, key: str | None, is_found: bool) -> None:
    with open_store(tmp_path, create=True, key=key) as store:
        load(store, [(sorted_delivery(ROWS), "r")], contract_version="1")
        assert (tmp_path / f"{STORE}.wal").stat().st_size > 0
        assert (f"{STORE}.wal" in files_with(tmp_path)) is is_found
        publish(tmp_path, store, key=key)
    assert bool(files_with(tmp_path)) is is_found


@pytest.mark.parametrize(("key", "is_found"), [(None, True), (KEY, False)])
def test_no_marker_is_readable_in_what_does_not_fit_into_memory(
    tmp_path: Path, key: str | None, is_found: bool
) -> None:
    with open_store(tmp_path, create=True, key=key) as store:
        store.execute("set memory_limit = '64MB'")
        store.execute("set threads = 1")
        store.execute(
            f"create temp table large as select '{MARKER}' || hash(range)::varchar || hash(range + 1)::varchar as text"
            " from range(2000000)"
        )
        spilled = [path for path in (tmp_path / "spill").rglob("*") if path.is_file()]
        assert sum(path.stat().st_size for path in spilled) > 1_000_000
        assert bool(files_with(tmp_path)) is is_found


def test_a_program_stopped_between_the_store_and_the_snapshot_is_mended_by_the_next_publishing(tmp_path: Path) -> None:
    load_rows(tmp_path, ROWS)
    old = current_snapshot(tmp_path).path
    earlier = old.read_bytes()
    pointer = (tmp_path / "current.json").read_bytes()
    rekey(tmp_path, key=None, new_key=KEY)
    old.write_bytes(earlier)
    (tmp_path / "current.json").write_bytes(pointer)
    (tmp_path / "store.rekeyed.duckdb").write_bytes(MARKER.encode())
    with open_store(tmp_path, key=KEY) as store:
        publish(tmp_path, store, key=KEY)
    assert files_with(tmp_path) == set()
    assert clinicians(tmp_path, KEY) == [(MARKER,)]


def test_the_command_takes_keys_from_files_and_keeps_them_out_of_the_folder(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder, first = tmp_path / "w", tmp_path / "first.txt"
    load_rows(folder, ROWS)
    first.write_text(KEY + "\n", encoding="utf-8")
    (folder / "inside.txt").write_text(OTHER, encoding="utf-8")
    first.chmod(0o600)
    assert main(["rekey", "--warehouse", str(folder), "--new-key-file", str(folder / "inside.txt")]) == 1
    assert "inside the warehouse folder" in capsys.readouterr().err
    assert main(["rekey", "--warehouse", str(folder), "--new-key-file", str(first)]) == 0
    assert "is encrypted with the new key" in capsys.readouterr().out
    assert clinicians(folder, KEY) == [(MARKER,)]
    words = ["rekey", "--warehouse", str(folder), "--encryption-key-file", str(first), "--no-encryption"]
    assert main(words) == 0
    assert clinicians(folder, None) == [(MARKER,)]
    with Connection(folder / STORE, read_only=True) as store:
        said = store.rows("select what, detail from events where what = 'rekey' order by entry")
    assert said == [("rekey", "encrypted with another key"), ("rekey", "encryption taken away")]


def test_an_encryption_key_that_others_can_read_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder, key = tmp_path / "w", tmp_path / "open.txt"
    load_rows(folder, ROWS)
    key.write_text(KEY, encoding="utf-8")
    key.chmod(0o644)
    assert main(["rekey", "--warehouse", str(folder), "--new-key-file", str(key)]) == 1
    said = capsys.readouterr().err
    assert "the encryption key file can be read or changed by others" in said
    assert "chmod 600 open.txt" in said
    assert clinicians(folder, None) == [(MARKER,)]


def test_the_copy_that_cannot_be_written_leaves_the_store_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    load_rows(tmp_path, ROWS)

    def refuse(*_: object) -> None:
        raise OSError(28, os.strerror(28))

    monkeypatch.setattr("warehouse.store.copying.sync", refuse)
    from warehouse.errors import WarehouseError

    with pytest.raises(WarehouseError, match="disk is full"):
        rekey(tmp_path, key=None, new_key=KEY)
    assert clinicians(tmp_path, None) == [(MARKER,)]
    assert not list(tmp_path.glob("*.rekeyed*"))
    assert verify(tmp_path).is_sound
