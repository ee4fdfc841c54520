"""Bringing in a file from the page: draft a mapping, rehearse on a copy, load.

All work is done by the ``menton`` command in a process of its own. Files are written to a folder that only this user
can read, and removed with everything made of them when the step ends. The rehearsal is a full load into a copy of the
store, so that what it says is what the load will do.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from dashboard.access.ask import OpenWarehouse
from warehouse.store.snapshot import POINTER, current_snapshot
from warehouse.store.store import STORE
from warehouse.upkeep.data_quality import LoadPreview

MENTON = (sys.executable, "-m", "pipelines.cli")
PATIENCE_SECONDS = 3600


@dataclass(frozen=True, slots=True)
class UploadedFile:
    """A file as the browser handed it over."""

    name: str
    content: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivered:
    """What is to be brought in: files, the mapping as text (None: contract names), and the practice (may be empty)."""

    files: tuple[UploadedFile, ...]
    mapping: str | None
    practice: str

    @property
    def fingerprint(self) -> str:
        """Tells one delivery from another, so that only what was rehearsed is loaded."""
        digest = hashlib.sha256(repr((self.mapping, self.practice)).encode())
        for file in self.files:
            digest.update(file.name.encode() + b"\0" + hashlib.sha256(file.content).digest())
        return digest.hexdigest()


@dataclass(frozen=True, slots=True)
class Told:
    """What a command answered: whether it went well, what it printed, and what it said beside that."""

    is_well: bool
    printed: str
    said: str


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """What a load would do; without a preview where it would be refused."""

    fingerprint: str
    told: Told
    preview: LoadPreview | None


def draft(file: UploadedFile) -> Told:
    """A mapping proposed for a file (printed), and what is left to decide (said)."""
    with _workplace() as room:
        return _run(["draft-mapping", str(_written(room, file))], room)


def rehearse(delivered: Delivered, place: OpenWarehouse) -> Rehearsal:
    """Load into a copy of the store, look at what it kept, and throw the copy away."""
    from warehouse.marts.reader import Reader
    from warehouse.upkeep.data_quality import load_preview

    with _workplace() as room:
        copy = room / "rehearsal"
        copy.mkdir()
        if (place.folder / STORE).exists():
            shutil.copy2(place.folder / STORE, copy / STORE)
        key = place.case_key_file or place.folder.with_name(place.folder.name + ".key")
        told = _ingest(delivered, room, copy, place, key if key.exists() else room / "rehearsal.key")
        if not told.is_well:
            return Rehearsal(delivered.fingerprint, told, None)
        with Reader.open(copy, key=place.encryption_key()) as reader:
            return Rehearsal(delivered.fingerprint, told, load_preview(reader, after=_last_load(place)))


def bring_in(delivered: Delivered, place: OpenWarehouse) -> Told:
    """Load for good."""
    with _workplace() as room:
        return _ingest(delivered, room, place.folder, place, place.case_key_file)


def _last_load(place: OpenWarehouse) -> int:
    from warehouse.marts.reader import Reader

    if not (place.folder / POINTER).exists():
        return 0
    current_snapshot(place.folder)
    with Reader.open(place.folder, key=place.encryption_key()) as reader:
        return int(reader.connection.value("select last_load from mart_build"))


@contextmanager
def _workplace() -> Iterator[Path]:
    with TemporaryDirectory(prefix="menton-") as room:
        yield Path(room)


def _written(room: Path, file: UploadedFile) -> Path:
    folder = room / "files"
    folder.mkdir(exist_ok=True)
    path = folder / Path(file.name).name
    path.write_bytes(file.content)
    return path


def _ingest(delivered: Delivered, room: Path, warehouse: Path, place: OpenWarehouse, case_key: Path | None) -> Told:
    words = [
        "ingest",
        *(str(_written(room, file)) for file in delivered.files),
        "--warehouse",
        str(warehouse.resolve()),
    ]
    if place.encryption_key_file:
        words += ["--encryption-key-file", str(place.encryption_key_file.resolve())]
    if case_key:
        words += ["--key-file", str(case_key.resolve())]
    if delivered.mapping is not None:
        mapping = room / "mapping.toml"
        mapping.write_text(delivered.mapping, encoding="utf-8", newline="\n")
        words += ["--mapping", str(mapping)]
    if delivered.practice:
        words += ["--practice", delivered.practice]
    return _run(words, room)


def _run(words: Sequence[str], room: Path) -> Told:
    environment = os.environ | {"PYTHONUTF8": "1", "TMPDIR": str(room), "TEMP": str(room), "TMP": str(room)}
    done = subprocess.run(
        [*MENTON, *words],
        cwd=room,
        env=environment,
        capture_output=True,
        encoding="utf-8",
        errors="replace",
        timeout=PATIENCE_SECONDS,
        check=False,
    )
    said = "\n".join(line for line in done.stderr.splitlines() if not line.startswith("  …"))
    return Told(done.returncode == 0, done.stdout, said.removeprefix("menton: ").strip())
