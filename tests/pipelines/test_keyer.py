"""The case key and its file."""

from __future__ import annotations

import hmac
import os
import stat
import subprocess
from hashlib import sha256
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.hmac import HMAC
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.deidentify.keyer import Keyer
from warehouse import private_files
from warehouse.errors import KeyProblemError

KEY = bytes(range(32))
posix_only = pytest.mark.skipif(os.name == "nt", reason="permissions of POSIX systems")


@settings(deadline=None, max_examples=60)
@given(st.binary(min_size=32, max_size=32), st.text(max_size=80))
def test_the_hash_is_hmac_sha256_as_two_other_implementations_compute_it(key: Any, case_id: Any) -> None:
    message = f"case\x1fHARBOUR\x1f{case_id}".encode()
    independent = HMAC(key, hashes.SHA256())
    independent.update(message)
    got = Keyer(key).key("HARBOUR", case_id)
    assert got == independent.finalize().hex()[:24] == hmac.new(key, message, sha256).hexdigest()[:24]


def test_a_column_is_hashed_as_its_cells_and_null_stays_null() -> None:
    keyer = Keyer(KEY)
    ids = pl.Series(["a", None, "b", "a"])
    assert keyer.keys("HARBOUR", ids).to_list() == [
        keyer.key("HARBOUR", "a"),
        None,
        keyer.key("HARBOUR", "b"),
        keyer.key("HARBOUR", "a"),
    ]
    assert keyer.keys("HARBOUR", pl.Series([], dtype=pl.String)).to_list() == []
    assert keyer.keys("HARBOUR", pl.Series(["a", "b"])).to_list() == [keyer.key("HARBOUR", one) for one in "ab"]


def test_practice_case_and_key_all_matter() -> None:
    keyer = Keyer(KEY)
    hashed = {
        keyer.key("HARBOUR", "1"),
        keyer.key("HILL", "1"),
        keyer.key("HARBOUR", "2"),
        Keyer(KEY[::-1]).key("HARBOUR", "1"),
    }
    assert len(hashed) == 4
    assert all(len(one) == 24 for one in hashed)


def test_the_fingerprint_tells_keys_apart_and_is_not_the_key() -> None:
    assert Keyer(KEY).fingerprint() == Keyer(KEY).fingerprint() != Keyer(KEY[::-1]).fingerprint()
    assert Keyer(KEY).fingerprint() not in KEY.hex()
    assert KEY.hex() not in repr(Keyer(KEY))


def test_a_key_of_another_length_is_refused() -> None:
    with pytest.raises(KeyProblemError, match="16 bytes"):
        Keyer(KEY[:16])


def test_a_key_file_is_made_once_and_gives_the_same_key_again(tmp_path: Path) -> None:
    path = tmp_path / "case.key"
    first = Keyer.from_file(path)
    assert Keyer.from_file(path).fingerprint() == first.fingerprint()
    assert Keyer.from_file(tmp_path / "other.key").fingerprint() != first.fingerprint()


@posix_only
def test_a_new_key_file_is_closed_to_others_whatever_the_umask(tmp_path: Path) -> None:
    before = os.umask(0)
    try:
        Keyer.from_file(tmp_path / "case.key")
    finally:
        os.umask(before)
    assert stat.S_IMODE((tmp_path / "case.key").stat().st_mode) == 0o600


@posix_only
@pytest.mark.parametrize("mode", [0o644, 0o640, 0o620, 0o601])
def test_a_key_file_open_to_others_is_refused(tmp_path: Path, mode: Any) -> None:
    path = tmp_path / "case.key"
    Keyer.from_file(path)
    path.chmod(mode)
    with pytest.raises(KeyProblemError, match="read or changed by others") as refused:
        Keyer.from_file(path)
    assert "chmod 600" in refused.value.remedy


@pytest.mark.parametrize(
    "change",
    [
        lambda text: text[:-5],
        lambda text: text.upper(),
        lambda text: "something else\n" + text,
        lambda text: text.replace("version 1", "version 2"),
        lambda text: "é" * 40,
    ],
)
def test_a_malformed_key_file_is_refused_without_repeating_it(tmp_path: Path, change: Any) -> None:
    path = tmp_path / "case.key"
    Keyer.from_file(path)
    text = path.read_text()
    path.write_text(change(text), encoding="utf-8")
    with pytest.raises(KeyProblemError, match="not a key file") as refused:
        Keyer.from_file(path)
    assert text.splitlines()[1][:10] not in str(refused.value)


@posix_only
def test_an_empty_key_file_is_waited_for_and_then_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "case.key"
    path.touch(mode=0o600)
    waits = []
    monkeypatch.setattr(private_files.time, "sleep", waits.append)
    with pytest.raises(KeyProblemError, match="not a key file"):
        Keyer.from_file(path)
    assert len(waits) == 20


@posix_only
def test_a_link_or_a_folder_is_refused(tmp_path: Path) -> None:
    Keyer.from_file(tmp_path / "real.key")
    (tmp_path / "link.key").symlink_to(tmp_path / "real.key")
    (tmp_path / "folder.key").mkdir()
    for name in ("link.key", "folder.key"):
        with pytest.raises(KeyProblemError, match="not a regular file"):
            Keyer.from_file(tmp_path / name)


def test_a_key_file_that_cannot_be_made_is_told(tmp_path: Path) -> None:
    with pytest.raises(KeyProblemError, match="cannot be created"):
        Keyer.from_file(tmp_path / "no folder" / "case.key")


def test_a_key_file_that_vanished_is_told(tmp_path: Path) -> None:
    with pytest.raises(KeyProblemError, match="cannot be read"):
        private_files.check_private(tmp_path / "gone.key")
    with pytest.raises(KeyProblemError, match="cannot be read"):
        private_files.read_key_text(tmp_path / "gone.key")


@pytest.fixture
def on_windows(monkeypatch: pytest.MonkeyPatch) -> Any:
    """Calls of the Windows permission tool, answered from a list of groups that may read."""
    calls: list[tuple[str, ...]] = []
    readers: set[str] = set()

    def icacls(*arguments: Any) -> Any:
        calls.append(arguments)
        return f"SID: {arguments[0]}." if arguments[-1] in readers else "none"

    monkeypatch.setattr(private_files, "on_windows", lambda: True)
    monkeypatch.setattr(private_files, "_icacls", icacls)
    return calls, readers


def test_on_windows_a_new_file_is_closed_by_icacls(tmp_path: Path, on_windows: Any) -> None:
    calls, _ = on_windows
    Keyer.from_file(tmp_path / "case.key")
    assert calls[0][1:3] == ("/inheritance:r", "/grant:r")
    assert calls[0][3].endswith(":F")


def test_on_windows_a_file_that_everyone_may_read_is_refused(tmp_path: Path, on_windows: Any) -> None:
    calls, readers = on_windows
    path = tmp_path / "case.key"
    first = Keyer.from_file(path)
    assert Keyer.from_file(path).fingerprint() == first.fingerprint()
    assert len(calls) == 6
    readers.add("*S-1-1-0")
    with pytest.raises(KeyProblemError, match="by others"):
        Keyer.from_file(path)


def test_on_windows_without_the_tool_nothing_is_taken_on_trust(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    Keyer.from_file(tmp_path / "old.key")

    def fails(*_: Any) -> None:
        raise subprocess.CalledProcessError(5, "icacls")

    monkeypatch.setattr(private_files, "on_windows", lambda: True)
    monkeypatch.setattr(private_files, "_icacls", fails)
    with pytest.raises(KeyProblemError, match="could not be closed"):
        Keyer.from_file(tmp_path / "new.key")
    assert not (tmp_path / "new.key").exists()
    with pytest.raises(KeyProblemError, match="could not be told"):
        Keyer.from_file(tmp_path / "old.key")


@posix_only
def test_the_windows_tool_is_run_from_the_system_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    tool = tmp_path / "System32" / "icacls.exe"
    tool.parent.mkdir()
    tool.write_text('#!/bin/sh\necho "$@"\n')
    tool.chmod(0o700)
    monkeypatch.setenv("SYSTEMROOT", str(tmp_path))
    assert private_files._icacls("a", "b") == "a b\n"


def test_a_key_file_appears_whole_and_the_first_of_two_stays(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What a program killed at any step leaves: no file of that name, or all of it."""
    path = tmp_path / "case.key"
    linked, seen = os.link, []

    def link(draft: Path, name: Path) -> None:
        seen.append((Path(draft).read_text(encoding="ascii"), path.exists()))
        linked(draft, name)

    monkeypatch.setattr(os, "link", link)
    assert private_files.write_private(path, "first")
    assert seen == [("first", False)]
    assert not private_files.write_private(path, "second")
    monkeypatch.setattr(os.path, "lexists", lambda _: False)  # another process was quicker
    assert not private_files.write_private(path, "second")
    assert path.read_text(encoding="ascii") == "first"
    assert [one.name for one in tmp_path.iterdir()] == ["case.key"]


def test_a_key_file_is_made_on_a_disk_without_links_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def no_links(*_: object) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "link", no_links)
    assert private_files.write_private(tmp_path / "case.key", "text")
    assert (tmp_path / "case.key").read_text(encoding="ascii") == "text"
    assert [one.name for one in tmp_path.iterdir()] == ["case.key"]
