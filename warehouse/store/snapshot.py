"""The published snapshot: what every screen and report reads.

Readers follow a small pointer file, so they see a whole snapshot or the one before it, whatever a writer does.
"""

import hashlib
import json
import os
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from warehouse.errors import WarehouseError
from warehouse.private_files import sync_folder
from warehouse.store.storage import Connection
from warehouse.store.store import no_warehouse

POINTER = "current.json"
KEPT_SNAPSHOTS = 2
DRAFTS = ("mart-*.draft*", "*.rekeyed*")
"""What a command that was stopped may leave behind."""


@dataclass(frozen=True, slots=True)
class Snapshot:
    """A published snapshot: its build, when it was made, where it lies, and the hash its file had when named."""

    build_id: str
    published_at: str
    path: Path
    sha256: str = ""


def current_snapshot(folder: Path) -> Snapshot:
    """The snapshot to read; WarehouseError where nothing has been published, or the pointer is damaged."""
    pointer = folder / POINTER
    try:
        data = json.loads(pointer.read_text(encoding="utf-8"))
        path = folder / Path(data["file"]).name
    except FileNotFoundError as error:
        raise no_warehouse(folder) from error
    except (ValueError, KeyError, TypeError, OSError) as error:
        found = "the pointer to the published snapshot cannot be read"
        remedy = "run `menton publish` to write it again"
        raise WarehouseError(found, where=POINTER, remedy=remedy) from error
    if not path.exists():
        found = "the published snapshot is missing"
        raise WarehouseError(found, where=path.name, remedy="run `menton publish` to make it again")
    return Snapshot(data["build"], data["published_at"], path, data.get("sha256", ""))


def open_snapshot(folder: Path, *, key: str | None = None) -> tuple[Snapshot, Connection]:
    """Open the current snapshot for reading. A writer at work does not disturb it."""
    for _ in range(3):
        snapshot = current_snapshot(folder)
        try:
            return snapshot, Connection(snapshot.path, read_only=True, key=key)
        except WarehouseError:
            if current_snapshot(folder).build_id == snapshot.build_id:
                raise
            # a newer build was published and this one removed between reading the pointer and opening: follow it
    found = "the published snapshot changes faster than it can be opened"
    raise WarehouseError(found, where=folder.name, remedy="try again")


def point_to(folder: Path, *, build_id: str, published_at: datetime, file: str) -> None:
    """Make a finished snapshot the current one, in one step that survives a crash."""
    sync(folder / file)
    draft = pointer_draft(folder)
    digest = file_sha256(folder / file)
    stated = {"build": build_id, "published_at": published_at.isoformat() + "Z", "file": file, "sha256": digest}
    text = json.dumps(stated, indent=1)
    draft.write_text(text + "\n", encoding="utf-8")
    sync(draft)
    draft.replace(folder / POINTER)
    sync_folder(folder)


def pointer_draft(folder: Path) -> Path:
    """The pointer while a build is being published."""
    return folder / f"{POINTER}.draft"


def file_sha256(path: Path) -> str:
    """SHA-256 of a file's bytes, in hex."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def sync(path: Path) -> None:
    """Force a file's bytes to the disk."""
    with path.open("rb+") as handle:
        os.fsync(handle.fileno())


def remove_old_snapshots(folder: Path, *, keep: str, others: int = KEPT_SNAPSHOTS - 1) -> None:
    """Remove snapshots older than the last few, and drafts of commands that were stopped.

    One still open elsewhere is left for next time. Only the one program that may write calls this.
    """
    drafts = {path for pattern in DRAFTS for path in folder.glob(pattern)}
    finished = sorted(path for path in folder.glob("mart-*.duckdb") if path.name != keep and path not in drafts)
    for path in [*finished[: len(finished) - others if others else None], *drafts]:
        try:
            path.unlink()
        except OSError:
            continue
