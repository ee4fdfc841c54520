"""The coordinator's folder: agreements, contributions as they came, and the record that says which of them count.

::

    record.jsonl               everything that happened, only ever added to; the state of the group is read from it
    releases.jsonl             every pooled table let out, for later ones to be checked against
    agreements/0001.json       each version of the agreement
    taken/<pseudonym>-<sequence>.age    contributions, encrypted as they came
    rounds/0001.json           what members of a round were asked, where the group pools by sums
    results/0001.json          what was made for the group to see
    FOLDER.key beside it       the group's keys

A contribution counts from the moment its line is in the record, and its file goes when the record says that it was
replaced or withdrawn. A file without a line is never removed: the record may have lost it.
"""

import os
import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pipelines.group.keys import GroupKeys, read_group_keys
from pipelines.group.signed_file import Signed, read_agreement
from warehouse import private_files
from warehouse.errors import GroupError
from warehouse.pooled.agreement import Agreement, Coordinator, coordinators_from
from warehouse.store.record_chain import RecordChain
from warehouse.store.storage import utc_now

RECORD = "record.jsonl"
RELEASES = "releases.jsonl"


@dataclass(slots=True)
class MemberStanding:
    """Where one practice stands."""

    sequence: int = 0  # Number of the last file it sent that counted
    file: str = ""  # Name of the contribution that counts now; empty after a withdrawal
    digest: str = ""  # SHA-256 of that file as it lies here
    came: str = ""  # SHA-256 of it as it came; another one once it was encrypted anew
    sealed_for: str = ""  # Mark of the coordinators whose keys open it
    id: str = ""  # Id of that contribution
    agreement: str = ""  # Digest of the agreement it was made under
    level: str = ""  # `cases` or `counts`
    cases: int | None = 0  # Cases it is about; None where that number is hidden
    since: str = ""  # When it was taken in
    earlier: tuple[str, ...] = ()  # Ids of the contributions before it
    round: str = ""  # Digest of the round its file is for, at the level `sums`
    public: str = ""  # Its public keys for signing and for masks, at that level, and its signature over the latter
    mask_key: str = ""
    mask_signature: str = ""
    is_in: bool = False  # Whether the practice takes part; after a withdrawal it needs an invitation to come back


@dataclass(slots=True)
class GroupState:
    """The state of a group, as its record tells it."""

    version: int = 0  # Version of the agreement in force; 0 before there is one
    invitations: dict[str, str] = field(default_factory=dict)  # Hashes of those not used or revoked -> last day
    practices: dict[str, MemberStanding] = field(default_factory=dict)  # Pseudonym -> where it stands
    results: int = 0  # Results made so far
    succession: list[Signed] = field(default_factory=list)  # Changes of coordinators, oldest first
    rounds: list[Mapping[str, Any]] = field(default_factory=list)  # As noted: number, digest, until, members
    digests: list[str] = field(default_factory=list)  # Of the agreement's versions
    files: set[str] = field(default_factory=set)  # Names of all files ever taken in

    @property
    def coordinators(self) -> tuple[Coordinator, ...]:
        """Who coordinates the group now; nobody in a group founded by an earlier version of the program."""
        return coordinators_from(self.succession[-1]["coordinators"]["coordinators"]) if self.succession else ()

    @property
    def counting(self) -> set[str]:
        """Names of the files that count now."""
        return {one.file for one in self.practices.values() if one.file}


@dataclass(frozen=True, slots=True)
class GroupFolder:
    """A group's folder and the file of its keys."""

    path: Path
    key_file: Path

    @property
    def record(self) -> RecordChain:
        """The record."""
        return RecordChain(self.path / RECORD)

    def note(self, what: str, **entry: object) -> None:
        """Write down in the record that something happened now."""
        self.record.add({"at": utc_now().isoformat() + "Z", "what": what, **entry})

    @property
    def releases(self) -> RecordChain:
        """The pooled tables let out."""
        return RecordChain(self.path / RELEASES)

    @property
    def taken(self) -> Path:
        """Where contributions lie."""
        return self.path / "taken"

    def keys(self) -> GroupKeys:
        """The keys of a coordinator of the group."""
        keys = read_group_keys(self.key_file)
        known = self.state().coordinators if self.record.path.exists() else ()
        if known and keys.public not in {one.public for one in known}:
            found = f"the key is none of a coordinator: the group has {', '.join(one.name for one in known)}"
            remedy = "name the key file with --group-key-file; one that was lost is replaced by another coordinator"
            raise GroupError(found, where=self.key_file.name, remedy=f"{remedy} (`menton group coordinators`)")
        return keys

    def state(self) -> GroupState:
        """The state now; refused where there is no group, or its record was changed."""
        if not (self.path / RECORD).exists():
            found = "there is no study group here yet"
            raise GroupError(found, where=self.path.name, remedy="make one with `menton group init`")
        entries = self.record.read()
        if not entries:
            found = "the record of the group is empty"
            raise GroupError(found, where=RECORD, remedy="put back a copy of it, or make a group elsewhere")
        return state_after(entries)

    def agreement(self, version: int | None = None) -> Agreement:
        """The agreement in force, or an earlier version of it; refused where there is none."""
        wanted = self.state().version if version is None else version
        if not wanted:
            found = "the group has no agreement yet"
            raise GroupError(found, where=self.path.name, remedy="make it with `menton group agreement`")
        return read_agreement(self.agreement_path(wanted)).agreement

    def counts_under(self, agreement: Agreement, digest: str) -> bool:
        """Whether a contribution made under the agreement with this digest counts: its terms are those in force."""
        digests = self.state().digests
        if digest == agreement.digest or digest not in digests:
            return digest == agreement.digest
        try:
            return self.agreement(digests.index(digest) + 1).terms == agreement.terms
        except GroupError:  # of a form that is no longer read
            return False

    def agreement_path(self, version: int) -> Path:
        """Where a version of the agreement lies."""
        return self.path / "agreements" / f"{version:04}.json"

    def round_path(self, number: int) -> Path:
        """Where the sheet of a round lies."""
        return self.path / "rounds" / f"{number:04}.json"

    def result_path(self, number: int) -> Path:
        """Where a result lies."""
        return self.path / "results" / f"{number:04}.json"

    @contextmanager
    def held(self) -> Iterator[GroupState]:
        """The state, with the folder held against other commands that would change it, which are refused."""
        self.state()
        with _lock(self.path / "in-use"):
            state = self.state()
            self._tidy(state)
            yield state

    def _tidy(self, state: GroupState) -> None:
        """Remove what a crash left of removing and writing: replaced or withdrawn by the record's word, and drafts."""
        gone = state.files - state.counting
        for path in self.taken.glob("*.age*"):
            if path.name in gone or path.suffix == ".draft":
                path.unlink()

    def without_a_line(self, state: GroupState) -> list[str]:
        """Names of contributions that the record knows nothing of."""
        return sorted(path.name for path in self.taken.glob("*.age") if path.name not in state.files)


def state_after(entries: Sequence[Mapping[str, Any]]) -> GroupState:
    """The state after these entries of a record."""
    state = GroupState()
    for entry in entries:
        what = entry["what"]
        if what == "agreement":
            state.version = entry["version"]
            state.digests.append(entry["digest"])
        elif what == "round":
            state.rounds.append(entry)
        elif what == "coordinators":
            state.succession.append(entry["signed"])
        elif what == "invited":
            state.invitations |= dict.fromkeys(entry["hashes"], entry.get("until", ""))
        elif what == "revoked":
            state.invitations.pop(entry["hash"], None)
        elif what == "result":
            state.results = entry["number"]
        elif what in _OF_A_PRACTICE:
            _OF_A_PRACTICE[what](state, entry)
    return state


def _took_in(state: GroupState, entry: Mapping[str, Any]) -> None:
    one = state.practices.setdefault(entry["pseudonym"], MemberStanding())
    state.invitations.pop(entry["invitation"], None)
    state.files.add(entry["file"])
    one.earlier = (*one.earlier, one.id) if one.id else one.earlier
    for name in ("sequence", "file", "digest", "id", "agreement", "level", "cases"):
        setattr(one, name, entry[name])
    for name in ("round", "public", "mask_key", "mask_signature"):
        setattr(one, name, entry.get(name, ""))
    one.came, one.sealed_for = entry["digest"], entry.get("sealed_for", "")
    one.since, one.is_in = entry["at"], True


def _withdrew(state: GroupState, entry: Mapping[str, Any]) -> None:
    one = state.practices[entry["pseudonym"]]
    state.practices[entry["pseudonym"]] = MemberStanding(
        sequence=max(one.sequence, entry["sequence"]), earlier=(*one.earlier, one.id) if one.id else one.earlier
    )


def _encrypted_anew(state: GroupState, entry: Mapping[str, Any]) -> None:
    one = state.practices[entry["pseudonym"]]
    one.file, one.digest, one.sealed_for = entry["file"], entry["digest"], entry["sealed_for"]
    state.files.add(entry["file"])


_OF_A_PRACTICE = {"took in": _took_in, "withdrew": _withdrew, "encrypted anew": _encrypted_anew}


def write_whole(path: Path, data: bytes) -> None:
    """Write a file so that it is there whole or not at all, for its owner alone."""
    try:
        private_files.write_whole(path, data)
    except OSError as error:
        found = f"the file cannot be written: {error.strerror or type(error).__name__}"
        raise GroupError(found, where=path.name, remedy="check the folder, your rights in it and the disk") from error


@contextmanager
def _lock(path: Path) -> Iterator[None]:
    """Hold a lock that the system lets go when the process ends, however it ends."""
    handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o600)
    try:
        try:
            _take_lock(handle)
        except OSError as error:
            found = "another command is at work in the folder of the group"
            raise GroupError(found, where=path.parent.name, remedy="wait until it has ended") from error
        yield
    finally:
        os.close(handle)


if sys.platform == "win32":  # pragma: no cover - run on Windows only

    def _take_lock(handle: int) -> None:
        import msvcrt

        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)

else:

    def _take_lock(handle: int) -> None:
        import fcntl

        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
