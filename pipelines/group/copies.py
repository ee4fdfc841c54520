"""Checking, copying and putting back a group's folder. The keys are never part of a copy.

What was put back never makes a group forget: where the record that is there goes on from that of the copy, it stays,
for it says who withdrew and what was let out since. Two records that went apart are not put together.
"""

import shutil
from collections.abc import Callable
from pathlib import Path, PurePosixPath
from typing import Any

from pipelines.group.folder import RECORD, RELEASES, GroupFolder
from pipelines.group.signed_file import read_result
from pipelines.group.taking import mark_of
from warehouse.errors import BadFileError, GroupError, MentonError, RequestError
from warehouse.private_files import sync_folder
from warehouse.store.record_chain import RecordChain
from warehouse.store.snapshot import file_sha256
from warehouse.store.storage import utc_now
from warehouse.upkeep.backup import check_hashes, copy_file, move_aside, read_manifest, refuse_place, write_manifest

_KIND = "study group"
_LIVE = {"in-use"}


def faults_of(folder: GroupFolder) -> list[str]:
    """Sentences of what is missing or damaged in a group's folder; none where it is whole."""
    try:
        state = folder.state()
        folder.releases.read()
    except MentonError as error:
        return [str(error)]
    found = [
        f"version {version} of the agreement is missing or was changed"
        for version, digest in enumerate(state.digests, start=1)
        if not _reads(lambda n: folder.agreement(n).digest, version, digest)
    ]
    found += [
        f"result {number} is missing or was changed"
        for number in range(1, state.results + 1)
        if not _reads(lambda n: read_result(folder.result_path(n)).number, number, number)
    ]
    for pseudonym, one in sorted(state.practices.items()):
        path = folder.taken / one.file
        if one.file and (not path.is_file() or file_sha256(path) != one.digest):
            found.append(f"the contribution of {pseudonym} ({one.file}) is missing or was changed")
        elif one.file and state.coordinators and one.sealed_for != mark_of(state.coordinators):
            found.append(f"not every coordinator can open {one.file}: run `menton group coordinators`")
    if state.version and not found and folder.agreement().coordinators != state.coordinators:
        found.append("the agreement names other coordinators than the record: run `menton group coordinators`")
    return found


def _reads(read: Callable[[int], object], number: int, expected: object) -> bool:
    """Whether a file can be read as it stands in the record; one of an earlier form is kept as it was."""
    try:
        return read(number) == expected
    except MentonError as error:
        return "it is of version" in error.found


def back_up(folder: GroupFolder, out: Path) -> int:
    """Copy a group's folder into a new folder, with the hash of every file; gives how many. A damaged one is refused.

    It is also how the folder is handed to another coordinator.
    """
    refuse_place(folder.path, out, what="group's")
    with folder.held():
        if faults := faults_of(folder):
            raise GroupError("; ".join(faults), where=folder.path.name, remedy="mend that, or put back an earlier copy")
        names = _names(folder.path)
        out.mkdir(parents=True, exist_ok=True)
        for name in names:
            copy_file(folder.path / name, out / name)
        files = {name: file_sha256(out / name) for name in names}
        write_manifest(out, {"kind": _KIND, "made_at": utc_now().isoformat() + "Z", "files": files})
    return len(files)


def put_back(source: Path, folder: GroupFolder, *, replace: bool = False) -> Path | None:
    """Put a copy in the place of a group's folder, after checking it; gives where the folder that was there lies now.

    Raises BadFileError: the copy is none, is incomplete or was changed; GroupError: it is not sound, or its record and
    the one that is there went apart; RequestError: something is there, and ``replace`` is false.
    """
    files = _stated(read_manifest(source))
    check_hashes(source, files)
    present = folder.path
    occupied = present.exists() and any(present.iterdir())
    if occupied and not replace:
        remedy = "name another folder with --group, or say --replace: the present one is then moved aside"
        raise RequestError("there is something in the group's folder already", where=present.name, remedy=remedy)
    draft = GroupFolder(present.with_name(present.name + ".restoring"), folder.key_file)
    if not present.exists() and draft.path.exists() and not faults_of(draft):
        draft.path.replace(present)  # killed after the present one was moved aside: the draft knows what it knew
        return None
    shutil.rmtree(draft.path, ignore_errors=True)
    for name in files:
        copy_file(source / name, draft.path / name)
        (draft.path / name).chmod(0o600)  # a copy that came as a ZIP lost that
    (draft.path / "taken").mkdir(exist_ok=True)
    if occupied:
        _carry_on(present, draft.path, set(files))
    if faults := faults_of(draft):
        shutil.rmtree(draft.path)
        raise GroupError(f"the copy is not sound: {'; '.join(faults)}", where=source.name, remedy="use another copy")
    aside = move_aside(present) if occupied else None
    if present.exists():
        present.rmdir()
    draft.path.replace(present)
    sync_folder(present.parent)
    return aside


def _names(path: Path) -> list[str]:
    listed = (one for one in sorted(path.rglob("*")) if one.is_file() and one.suffix != ".draft")
    return [one.relative_to(path).as_posix() for one in listed if one.name not in _LIVE]


def _stated(manifest: dict[str, Any]) -> dict[str, str]:
    files = manifest.get("files")
    if manifest.get("kind") != _KIND or not isinstance(files, dict) or RECORD not in files:
        raise BadFileError(
            "this is no copy of a study group's folder", remedy="name one that `menton group backup` made"
        )
    places = [PurePosixPath(name) for name in files]
    if any(one.is_absolute() or ".." in one.parts or len(one.parts) > 2 for one in places):
        raise BadFileError("the list of the copy's files is damaged", remedy="use another copy")
    return {str(name): str(digest) for name, digest in files.items()}


def _carry_on(present: Path, draft: Path, copied: set[str]) -> None:
    """What the folder that is there has beyond the copy, where its record goes on from that of the copy."""
    try:
        now, then = (RecordChain(one / RECORD).read() for one in (present, draft))
    except MentonError:
        return  # the damaged record is why a copy is put back
    n = min(len(now), len(then))
    if now[:n] != then[:n]:
        found = "the copy's record and the one that is there went apart: two coordinators changed the group at once"
        remedy = "go on with one of them, and take in again there what only the other one has"
        raise GroupError(found, where=present.name, remedy=remedy)
    if len(now) > len(then):
        for name in {RECORD, RELEASES, *_names(present)} - (copied - {RECORD, RELEASES}):
            if (present / name).exists():
                copy_file(present / name, draft / name)
