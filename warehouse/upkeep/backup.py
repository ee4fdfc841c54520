"""Backup and restore: a folder that holds the store, the published snapshot, the records beside it, and their hashes.

The store is held open for reading while it is copied, so no other program writes meanwhile; readers of the published
snapshot are not disturbed. The case key is never part of a backup.
"""

import json
import shutil
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import date
from importlib.metadata import version
from pathlib import Path, PurePosixPath
from typing import Any

from warehouse.errors import BadFileError, BusyError, KeyProblemError, MentonError, RequestError, WarehouseError
from warehouse.plans.looks import FILE as LOOKS
from warehouse.pooled.history import RECORD_FILE as HANDED_OVER
from warehouse.pooled.kept_results import FOLDER as GROUPS
from warehouse.private_files import sync_folder, write_whole
from warehouse.store.access import FILE as ACCESS
from warehouse.store.access import LEFT, MARK, as_kept
from warehouse.store.chain import KEY_FILE as RECORDS_KEY
from warehouse.store.chain import content_of, keep_key, kept
from warehouse.store.copying import copy_into
from warehouse.store.snapshot import POINTER, current_snapshot, file_sha256, sync
from warehouse.store.storage import Connection, files_told, utc_now
from warehouse.store.store import STORE, no_warehouse
from warehouse.upkeep.verify import verify

MANIFEST = "menton-backup.json"
MADE = "backups.jsonl"
"""File of the warehouse folder that says where backups were made; it is in none of them."""
FORMAT = 1
RECORDS = (RECORDS_KEY, MARK, ACCESS, LOOKS, HANDED_OVER, LEFT)
"""Files beside the store: those whose lines are only ever added, and first of all what belongs to them."""


@dataclass(frozen=True, slots=True)
class Backup:
    """What a backup holds: when it was made, whether it is encrypted, its loads, cases and files with their hashes."""

    made_at: str
    is_encrypted: bool
    n_loads: int
    n_cases: int
    files: dict[str, str]


def backup(
    folder: Path,
    out: Path,
    *,
    key: str | None = None,
    patience: float = 60.0,
    progress: Callable[[str], None] = lambda _: None,
) -> Backup:
    """Copy the warehouse at ``folder`` into the new folder ``out``, under the same key.

    Raises RequestError: ``out`` is not empty or lies inside the warehouse; WarehouseError: it is in use (``patience``
    seconds) or cannot be copied; nothing of the backup stays.
    """
    if not (folder / STORE).exists():
        raise no_warehouse(folder)
    refuse_place(folder, out)
    with _when_free(folder / STORE, key, patience, progress) as store, files_told(out):
        out.mkdir(parents=True, exist_ok=True)
        try:
            made = _copy(folder, out, store, key, progress)
        except BaseException:
            _empty(out)
            raise
        line = json.dumps({"made_at": made.made_at, "place": str(out.resolve())}) + "\n"
        with suppress(OSError), (folder / MADE).open("ab") as record:  # one that cannot be written to can be backed up
            record.write(kept(folder / MADE, line.encode()))
    return made


def last_backup(folder: Path) -> date | None:
    """The day of the last backup on record; None where there is none."""
    lines = content_of(folder / MADE).splitlines() if (folder / MADE).exists() else []
    return date.fromisoformat(json.loads(lines[-1])["made_at"][:10]) if lines else None


def copies_with(folder: Path, query: str, values: Sequence[object], *, key: str | None) -> list[tuple[Path, bool]]:
    """Backups and warehouses put aside that have what a query finds; false where one has another key and may have it.

    Only what is still where it was made is known of.
    """
    places = [Path(json.loads(line)["place"]) for line in content_of(folder / MADE).splitlines()]
    places += sorted(folder.parent.glob(f"{folder.name}.before-*"))
    found = []
    for place in dict.fromkeys(one for one in places if (one / STORE).exists()):
        try:
            with Connection(place / STORE, read_only=True, key=key) as store:
                if store.value(query, values):
                    found.append((place, True))
        except MentonError:
            found.append((place, False))
    return found


def _empty(out: Path) -> None:
    for path in out.iterdir():
        shutil.rmtree(path) if path.is_dir() else path.unlink()


def refuse_place(folder: Path, out: Path, *, what: str = "warehouse") -> None:
    """Refuse a place for a backup that is not empty, or lies in the folder it is of."""
    if out.resolve().is_relative_to(folder.resolve()):
        found = f"the backup would lie inside the {what} folder"
        raise RequestError(found, where=out.name, remedy="name a folder elsewhere, best on another disk")
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise RequestError("the place for the backup is not empty", where=out.name, remedy="name a new folder")


def _when_free(path: Path, key: str | None, patience: float, progress: Callable[[str], None]) -> Connection:
    """The store open for reading, once no other program writes to it."""
    until = time.monotonic() + patience
    while True:
        try:
            return Connection(path, read_only=True, key=key)
        except BusyError:
            if time.monotonic() >= until:
                raise
            progress("waiting for another menton command to end")
            time.sleep(1)


def _copy(folder: Path, out: Path, store: Connection, key: str | None, progress: Callable[[str], None]) -> Backup:
    progress("copying the store")
    copy_into(store, out / STORE, key=key)
    names = [STORE]
    if (folder / POINTER).exists():
        progress("copying the published snapshot")
        names += [current_snapshot(folder).path.name, POINTER]
    names += [name for name in RECORDS if (folder / name).exists()]
    names += [f"{GROUPS}/{path.name}" for path in sorted((folder / GROUPS).glob("*.json"))]
    for name in names[1:]:
        copy_file(folder / name, out / name)
    made = Backup(
        made_at=utc_now().isoformat() + "Z",
        is_encrypted=key is not None,
        n_loads=store.value("select count(*) from loads"),
        n_cases=store.value("select count(*) from cases where replaced_by is null"),
        files={name: file_sha256(out / name) for name in names},
    )
    write_manifest(out, asdict(made))
    return made


def copy_file(source: Path, target: Path) -> None:
    """Copy a file with its permissions: some records are for their owner alone."""
    target.parent.mkdir(parents=True, exist_ok=True)
    shutil.copy(source, target)
    sync(target)


def write_manifest(out: Path, made: Mapping[str, Any]) -> None:
    """The manifest comes last: a folder without it is no backup."""
    stated = {"format": FORMAT, "tool_version": version("menton"), **made}
    draft = out / f"{MANIFEST}.draft"
    draft.write_text(json.dumps(stated, indent=1) + "\n", encoding="utf-8")
    sync(draft)
    draft.replace(out / MANIFEST)
    sync_folder(out)


def read_backup(source: Path) -> Backup:
    """The backup in a folder, every hash checked; BadFileError where there is none, or a file is missing or damaged."""
    stated = read_manifest(source)
    try:
        made = Backup(
            str(stated["made_at"]),
            bool(stated["is_encrypted"]),
            int(stated["n_loads"]),
            int(stated["n_cases"]),
            {_inside(name): str(digest) for name, digest in stated["files"].items()},
        )
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise BadFileError("the list of the backup's files is damaged", where=MANIFEST) from error
    if STORE not in made.files:
        raise BadFileError("the backup names no store", where=MANIFEST)
    check_hashes(source, made.files)
    return made


def _inside(name: str) -> str:
    """The name of a file of a backup, which cannot lead out of its folder."""
    folder = f"{GROUPS}/" if PurePosixPath(name).parts[:-1] == (GROUPS,) else ""
    return folder + Path(name).name


def read_manifest(source: Path) -> dict[str, Any]:
    """What a backup states of itself; BadFileError where the folder holds none that is complete."""
    try:
        stated = json.loads((source / MANIFEST).read_text(encoding="utf-8"))
    except FileNotFoundError as error:
        found = "this folder holds no complete backup"
        raise BadFileError(found, where=source.name, expected=f"a file {MANIFEST} in it") from error
    except (OSError, ValueError) as error:
        raise BadFileError("the list of the backup's files cannot be read", where=MANIFEST) from error
    if not isinstance(stated, dict) or stated.get("format") != FORMAT:
        found = "the backup is of a form this program does not know"
        raise BadFileError(found, where=MANIFEST, remedy="use the version of menton that made it")
    return stated


def check_hashes(source: Path, stated: Mapping[str, str]) -> None:
    """Refuse a backup of which a file (name -> digest) is missing or changed."""
    for name, digest in stated.items():
        try:
            found = file_sha256(source / name)
        except OSError as error:
            raise BadFileError("a file of the backup is missing or cannot be read", where=name) from error
        if found != digest:
            remedy = "use another backup; nothing was replaced"
            raise BadFileError("a file of the backup was changed or is damaged", where=name, remedy=remedy)


def restore(
    source: Path,
    folder: Path,
    *,
    key: str | None = None,
    replace: bool = False,
    progress: Callable[[str], None] = lambda _: None,
) -> tuple[Backup, Path | None]:
    """Put the backup in ``source`` in the place of the warehouse ``folder``; gives it, and where the earlier one lies.

    Everything is copied beside the warehouse and verified there before anything is replaced. BadFileError where the
    backup is damaged, KeyProblemError where its key is not right, RequestError where there is a warehouse and
    ``replace`` is false, WarehouseError where another program writes to it or a file cannot be written.
    """
    progress("checking the backup")
    made = read_backup(source)
    occupied = folder.exists() and (not folder.is_dir() or any(folder.iterdir()))
    if occupied and not replace:
        remedy = "name another folder with --warehouse, or say --replace: the present one is then moved aside"
        raise RequestError("there is something in the warehouse folder already", where=folder.name, remedy=remedy)
    draft = folder.with_name(folder.name + ".restoring")
    with files_told(folder):
        _lay_out(source, draft, made)
        progress("verifying the copy")
        _refuse_unsound(draft, key)
        keep_key(folder, key)
        _carry_on(folder, draft)
        aside = move_aside(folder) if occupied else None
        if folder.exists():
            folder.rmdir()
        draft.replace(folder)
        sync_folder(folder.parent)
    return made, aside


def _lay_out(source: Path, draft: Path, made: Backup) -> None:
    if draft.exists():
        shutil.rmtree(draft)
    draft.mkdir(parents=True)
    for name in made.files:
        copy_file(source / name, draft / name)
    check_hashes(draft, made.files)


def _carry_on(folder: Path, draft: Path) -> None:
    """The records of the present warehouse go on: what was handed over since the backup, for one, stays known.

    Only where the backup was made of it: its access record then begins with the one in the backup.
    """
    if not (draft / ACCESS).exists() or not _goes_on(folder / ACCESS, draft / ACCESS):
        return
    for name in (MARK, MADE):
        if (folder / name).exists():
            copy_file(folder / name, draft / name)
    for name in (ACCESS, LOOKS, HANDED_OVER, LEFT):
        if _goes_on(folder / name, draft / name):
            lines = content_of(folder / name).splitlines(keepends=True)
            write_whole(draft / name, b"".join(as_kept(draft / name, line) for line in lines))


def _goes_on(present: Path, earlier: Path) -> bool:
    """Whether a record begins with an earlier one, which may not have been there yet."""
    if not present.is_file():
        return False
    return content_of(present).startswith(content_of(earlier))


def _refuse_unsound(draft: Path, key: str | None) -> None:
    try:
        found = verify(draft, key=key)
    except KeyProblemError:
        shutil.rmtree(draft)
        raise
    if not found.is_sound:
        shutil.rmtree(draft)
        said = "; ".join(fault.sentence for fault in found.faults)
        raise WarehouseError("the backup is whole, but not sound", expected=said, remedy="use another backup")


def move_aside(folder: Path) -> Path:
    """Move the present warehouse aside, unless a program is writing to it. A damaged one may go."""
    if (folder / STORE).exists():
        try:
            Connection(folder / STORE).close()
        except BusyError:
            raise
        except (WarehouseError, KeyProblemError):
            pass  # damaged or of another key: that may be why a backup is put back
    stamp = utc_now().strftime("%Y%m%dT%H%M%S")
    aside, n = folder.with_name(f"{folder.name}.before-{stamp}"), 1
    while aside.exists():
        aside, n = folder.with_name(f"{folder.name}.before-{stamp}-{n}"), n + 1
    folder.replace(aside)
    return aside
