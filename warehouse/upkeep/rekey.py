"""Writing the store anew, under another key or with a change: a copy takes the place of the store in one step.

Until that step the warehouse is as it was. What a change took out is in no byte of the copy: DuckDB keeps the bytes of
deleted rows in a file for a while, so the changed copy is copied once more.
"""

import os
import shutil
from collections.abc import Callable
from pathlib import Path

from warehouse.errors import BrokenRuleError, RequestError
from warehouse.marts.catalogues import register
from warehouse.marts.publish import REWRITTEN, publish
from warehouse.private_files import sync_folder
from warehouse.store.access import unseal
from warehouse.store.chain import share_key
from warehouse.store.copying import copy_into
from warehouse.store.snapshot import Snapshot, remove_old_snapshots
from warehouse.store.storage import Connection, files_told
from warehouse.store.store import STORE, open_store, record_event
from warehouse.upkeep.verify import STORE_CHECKS, found_by

_DRAFT, _CHANGED = "store.rekeyed.duckdb", "store.changed.rekeyed.duckdb"


def rekey(
    folder: Path, *, key: str | None, new_key: str | None, progress: Callable[[str], None] = lambda _: None
) -> Snapshot:
    """Encrypt the warehouse, change its key, or (``new_key`` None) take the encryption away; then publish again.

    The store stays under the old key until its copy is whole and on the disk; then one renaming changes it. If the
    program is stopped after that and before publishing, the next command that publishes makes the snapshot again.
    Snapshots made under the old key do not stay. KeyProblemError where ``key`` is not the present one, RequestError
    where the new one is, WarehouseError where the warehouse is in use or cannot be copied: then nothing was changed.
    """
    if new_key == key:
        raise RequestError("the new key is the present one", remedy="name another key file with --new-key-file")
    with open_store(folder, key=key) as store, store.transaction():
        record_event(store, "rekey", "encryption taken away" if new_key is None else "encrypted with another key")
        _count(store)
    return _written_anew(folder, key, new_key, lambda _: _DRAFT, progress)


def rewrite(
    folder: Path,
    change: Callable[[Connection], None],
    *,
    what: str,
    detail: str,
    key: str | None,
    progress: Callable[[str], None] = lambda _: None,
) -> Snapshot:
    """Change the store so that what goes leaves no trace in it or in a snapshot; then publish again.

    If the program is stopped after the change and before publishing, the next command that publishes removes the
    snapshots of before. ``change`` acts on a copy, in a transaction; ``what`` and ``detail`` name the event, without
    personal data.

    Raises, nothing being changed:
        BrokenRuleError: The changed store would not hold together.
        WarehouseError: The warehouse is in use or the copy could not be written.
    """

    def changed(_: Connection) -> str:
        with Connection(folder / _DRAFT, key=key) as copy:
            before = {check: found_by(copy, check) for check in STORE_CHECKS}
            with copy.transaction():
                change(copy)
                _count(copy)
                record_event(copy, what, detail)
                for check in STORE_CHECKS:
                    if (wrong := found_by(copy, check)) != before[check]:
                        raise BrokenRuleError(f"nothing was changed: {'; '.join(wrong)}", where=what)
            copy.execute("checkpoint menton")
            copy_into(copy, folder / _CHANGED, key=key)
        return _CHANGED

    return _written_anew(folder, key, key, changed, progress)


def _count(store: Connection) -> None:
    """Count that the store is written anew, so that snapshots of before are known and none of them stays."""
    n = store.value("select count(*) from registrations where name = ?", [REWRITTEN])
    register(store, "setting", REWRITTEN, "1", str(n + 1))


def _written_anew(
    folder: Path,
    key: str | None,
    new_key: str | None,
    finished: Callable[[Connection], str],
    progress: Callable[[str], None],
) -> Snapshot:
    """Copy the store; the file that ``finished`` names takes its place."""
    with open_store(folder, key=key) as store:
        store.execute("checkpoint menton")  # so that no part of the store is left to a write-ahead log
        progress("copying the store")
        copy_into(store, folder / _DRAFT, key=new_key)
        draft = finished(store)
        with files_told(folder):
            if new_key is None and key is not None:
                unseal(folder)
            elif new_key is not None and key not in {None, new_key}:
                share_key(folder, [str(key), new_key])  # until the store is under the new one alone
        if os.name != "nt":  # while the store is held, so that no other program can load into the one that goes
            _swap(folder, draft)
    if os.name == "nt":  # Windows renames nothing onto an open file
        _swap(folder, draft)
    with open_store(folder, key=new_key) as store:
        snapshot = publish(folder, store, key=new_key, again=True, progress=progress)
    remove_old_snapshots(folder, keep=snapshot.path.name, others=0)
    shutil.rmtree(folder / "spill", ignore_errors=True)
    return snapshot


def _swap(folder: Path, draft: str) -> None:
    with files_told(folder):
        (folder / draft).replace(folder / STORE)
        sync_folder(folder)
