"""Changing the encryption of a warehouse: a copy under the new key takes the place of the store in one step."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path

from warehouse.errors import RequestError
from warehouse.marts.publish import publish
from warehouse.private_files import sync_folder
from warehouse.store.access import unseal
from warehouse.store.chain import share_key
from warehouse.store.copying import copy_into
from warehouse.store.snapshot import Snapshot, remove_old_snapshots
from warehouse.store.storage import files_told
from warehouse.store.store import STORE, open_store, record_event

_DRAFT = "store.rekeyed.duckdb"


def rekey(
    folder: Path,
    *,
    key: str | None,
    new_key: str | None,
    progress: Callable[[str], None] = lambda _: None,
) -> Snapshot:
    """Encrypt the warehouse, change its key, or (``new_key`` None) take the encryption away; then publish again.

    The store stays under the old key until its copy is whole and on the disk; then one renaming changes it. If the
    program is stopped after that and before publishing, the next command that publishes makes the snapshot again.
    Snapshots made under the old key do not stay.

    Raises:
        KeyProblemError: ``key`` is not the present key.
        RequestError: The new key is the old one.
        WarehouseError: The warehouse is in use or the copy could not be written; nothing was changed.
    """
    if new_key == key:
        raise RequestError("the new key is the present one", remedy="name another key file with --new-key-file")
    with open_store(folder, key=key) as store:
        with store.transaction():
            record_event(store, "rekey", "encryption taken away" if new_key is None else "encrypted with another key")
        store.execute("checkpoint menton")  # so that no part of the store is left to a write-ahead log
        progress("copying the store under the new key")
        copy_into(store, folder / _DRAFT, key=new_key)
        with files_told(folder):
            if new_key is None:
                unseal(folder)
            elif key is not None:
                share_key(folder, [key, new_key])  # until the store is under the new one alone
        if os.name != "nt":  # while the store is held, so that no other program can load into the one that goes
            _swap(folder)
    if os.name == "nt":  # Windows renames nothing onto an open file
        _swap(folder)
    with open_store(folder, key=new_key) as store:
        snapshot = publish(folder, store, key=new_key, again=True, progress=progress)
    remove_old_snapshots(folder, keep=snapshot.path.name, others=0)
    shutil.rmtree(folder / "spill", ignore_errors=True)
    return snapshot


def _swap(folder: Path) -> None:
    with files_told(folder):
        (folder / _DRAFT).replace(folder / STORE)
        sync_folder(folder)
