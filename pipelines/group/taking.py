"""Taking a file in: every check before anything is changed, so that a refused file leaves the group as it was."""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

from pipelines.group.container import MOST_FILE, Contents, encrypted, unpack, unseal
from pipelines.group.contribution import SUMS, Manifest, check_manifest, check_sums, member_from
from pipelines.group.folder import GroupFolder, GroupState, MemberStanding, write_whole
from pipelines.group.keys import GroupKeys, pseudonym_of
from pipelines.group.signed_file import hash_of_invitation, read_bytes
from warehouse.errors import GroupError
from warehouse.pooled.agreement import Agreement, Coordinator
from warehouse.pooled.member import Member
from warehouse.store.snapshot import file_sha256
from warehouse.store.storage import utc_now


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """What a file did."""

    pseudonym: str  # Practice that sent it
    kind: str  # `new`, `replaced` or `withdrawn`
    level: str = ""  # `cases` or `counts`; empty for a withdrawal
    cases: int | None = 0  # Cases it is about; None where that number is hidden


@dataclass(frozen=True, slots=True)
class _Opened:
    data: bytes
    contents: Contents
    says: Manifest

    @property
    def digest(self) -> str:
        return hashlib.sha256(self.data).hexdigest()

    @property
    def is_withdrawal(self) -> bool:
        return self.says.kind == "withdrawal"


def take(folder: GroupFolder, path: Path) -> Taken:
    """Take a practice's file in, or refuse it with the reason and change nothing."""
    state = folder.state()
    opened = _open(folder, path, state)
    _check_standing(opened, state, folder)
    agreement = folder.agreement()
    if not opened.is_withdrawal:
        _check_agreement(opened, folder, state, agreement)
        if opened.says.level == "sums":
            check_sums(opened.contents, agreement, state.rounds)
        else:
            member_from(opened.contents, agreement, replaces=())
    with folder.held() as held:
        _check_standing(opened, held, folder)
        if opened.is_withdrawal:
            return _withdraw(folder, opened.says.pseudonym, opened.says.sequence, by="the practice")
        return _keep(folder, opened, held)


def mark_of(coordinators: Sequence[Coordinator]) -> str:
    """What stands in the record for the keys of these coordinators."""
    return hashlib.sha256(" ".join(sorted(one.recipient for one in coordinators)).encode()).hexdigest()[:16]


def encrypt_anew(folder: GroupFolder, state: GroupState, keys: Sequence[GroupKeys]) -> int:
    """Encrypt what counts to the coordinators of now, where it is not; gives how many. Any of ``keys`` opens it.

    The file first, then the line that makes it count, then the old file goes: killed at any step, nothing is lost.
    """
    mark, n = mark_of(state.coordinators), 0
    for pseudonym, one in state.practices.items():
        if not one.file or one.sealed_for == mark or not state.coordinators:
            continue
        data = encrypted(unseal(_stored(folder, one), *keys), [each.recipient for each in state.coordinators])
        name, digest = f"{pseudonym}-{one.sequence:06}-{mark}.age", hashlib.sha256(data).hexdigest()
        write_whole(folder.taken / name, data)
        folder.note("encrypted anew", pseudonym=pseudonym, file=name, digest=digest, sealed_for=mark)
        (folder.taken / one.file).unlink(missing_ok=True)
        n += 1
    return n


def withdraw(folder: GroupFolder, pseudonym: str) -> Taken:
    """Take a practice out at its word: its file is removed and nothing of it counts from now on."""
    with folder.held() as state:
        standing = state.practices.get(pseudonym.strip().upper())
        if standing is None or not standing.is_in:
            raise GroupError(f"no practice {pseudonym!r} takes part", remedy="see `menton group list`")
        return _withdraw(folder, pseudonym.strip().upper(), standing.sequence, by="the coordinator")


def members(folder: GroupFolder, agreement: Agreement) -> tuple[list[Member], list[str]]:
    """The contributions that count under the agreement in force, and the practices whose are of an earlier one."""
    state, keys = folder.state(), folder.keys()
    found, older = [], []
    for pseudonym, standing in sorted(state.practices.items()):
        if not standing.is_in:
            continue
        if not folder.counts_under(agreement, standing.agreement):
            older.append(pseudonym)
            continue
        data = _stored(folder, standing)
        found.append(member_from(unpack(unseal(data, keys)), agreement, replaces=standing.earlier))
    return found, older


def masked_tables(folder: GroupFolder, pseudonyms: Sequence[str]) -> dict[str, bytes]:
    """Pseudonym -> masked table that counts now."""
    state, keys = folder.state(), folder.keys()
    files = {name: unpack(unseal(_stored(folder, state.practices[name]), keys)) for name in pseudonyms}
    return {name: contents.members[SUMS] for name, contents in files.items()}


def _stored(folder: GroupFolder, standing: MemberStanding) -> bytes:
    path = folder.taken / standing.file
    try:
        data = path.read_bytes()
    except OSError:
        data = b""
    if hashlib.sha256(data).hexdigest() != standing.digest:
        found = "a contribution is missing or was changed since it was taken in"
        raise GroupError(found, where=path.name, remedy="put back a copy of it, or withdraw the practice and ask again")
    return data


def _open(folder: GroupFolder, path: Path, state: GroupState) -> _Opened:
    data = read_bytes(path, most=MOST_FILE, what="the file", remedy="name the file a practice sent")
    digest = hashlib.sha256(data).hexdigest()
    if any(digest in {one.digest, one.came} for one in state.practices.values() if one.is_in):
        raise GroupError("this very file has been taken in already", where=path.name, remedy="nothing needs to be done")
    contents = unpack(unseal(data, folder.keys()))
    says = check_manifest(contents.manifest)
    group = folder.agreement().group
    if says.group != group:
        found = "the contribution was made for another group"
        raise GroupError(found, where=path.name, remedy="ask the practice to make it with this group's agreement")
    if says.pseudonym != pseudonym_of(says.public_key, group):
        found = "the pseudonym in the file is not that of the key it is signed with"
        raise GroupError(found, where=path.name, remedy="someone speaks in another's name: ask the practices")
    return _Opened(data, contents, says)


def _check_standing(opened: _Opened, state: GroupState, folder: GroupFolder) -> None:
    """Whether the practice may send this, and whether it is newer than what it sent before."""
    standing = state.practices.get(opened.says.pseudonym)
    if standing is not None and opened.says.sequence <= standing.sequence:
        which = f"file number {opened.says.sequence} of {opened.says.pseudonym}"
        found = f"{which} is not newer than number {standing.sequence}, which counts or was withdrawn"
        raise GroupError(found, remedy="an old file never takes the place of a newer one; ask for a fresh one")
    if standing is not None and standing.is_in:
        return
    if opened.is_withdrawal:
        found = f"{opened.says.pseudonym} takes no part, so there is nothing to withdraw"
        raise GroupError(found, remedy="nothing needs to be done")
    until = state.invitations.get(hash_of_invitation(folder.agreement().group, opened.says.invitation))
    if until and until < utc_now().date().isoformat():
        found = f"the invitation {opened.says.pseudonym} came with was good until {until}"
        raise GroupError(found, remedy="give the practice a new one (`menton group invite`), and ask it to use that")
    if until is None:
        found = f"{opened.says.pseudonym} takes no part yet, and the file holds no invitation that is still good"
        remedy = "give the practice an invitation (`menton group invite`) and ask it to contribute with that file"
        raise GroupError(found, remedy=remedy)


def _check_agreement(opened: _Opened, folder: GroupFolder, state: GroupState, agreement: Agreement) -> None:
    if not folder.counts_under(agreement, opened.says.agreement):
        known = opened.says.agreement in state.digests
        number = f"version {state.digests.index(opened.says.agreement) + 1} of the agreement" if known else ""
        version = number or "an agreement this group never had"
        found = f"the contribution was made under {version}; version {agreement.version} is in force"
        raise GroupError(found, remedy="send the practice the agreement in force and ask it to contribute again")
    try:
        made_on = date.fromisoformat(opened.says.made_on)
    except ValueError as error:
        found = "the contribution does not say when it was made"
        raise GroupError(found, remedy="ask the practice to make it again") from error
    if made_on > utc_now().date() + timedelta(days=1):
        found = f"the contribution is dated {made_on}, which is still to come"
        raise GroupError(found, remedy="ask the practice to set its clock and make it again")


def _keep(folder: GroupFolder, opened: _Opened, state: GroupState) -> Taken:
    """The file first, under a name of its own, then the line that makes it count, then the old file goes."""
    says, standing = opened.says, state.practices.get(opened.says.pseudonym)
    is_new = standing is None or not standing.is_in
    name = f"{says.pseudonym}-{says.sequence:06}.age"
    path = folder.taken / name
    if path.exists() and file_sha256(path) != opened.digest:
        found = "another file of this name lies among the contributions, and the record says nothing of it"
        remedy = "the record may have lost lines: put back a copy of it; or move that file away and take this in again"
        raise GroupError(found, where=name, remedy=remedy)
    write_whole(path, opened.data)
    folder.note(
        "took in",
        pseudonym=says.pseudonym,
        sequence=says.sequence,
        file=name,
        digest=opened.digest,
        id=opened.contents.id,
        agreement=says.agreement,
        level=says.level,
        cases=says.cases,
        round=says.round,
        public=says.public_key,
        mask_key=says.mask_key,
        mask_signature=says.mask_signature,
        sealed_for=mark_of(folder.agreement(state.digests.index(says.agreement) + 1).coordinators),
        invitation=hash_of_invitation(says.group, says.invitation) if is_new else "",
    )
    if standing is not None and standing.file:
        (folder.taken / standing.file).unlink(missing_ok=True)
    encrypt_anew(folder, folder.state(), [folder.keys()])
    kind = "new" if is_new else "replaced"
    return Taken(pseudonym=says.pseudonym, kind=kind, level=says.level, cases=says.cases)


def _withdraw(folder: GroupFolder, pseudonym: str, sequence: int, *, by: str) -> Taken:
    folder.note("withdrew", pseudonym=pseudonym, sequence=sequence, by=by)
    for path in folder.taken.glob(f"{pseudonym}-*.age"):
        path.unlink()
    return Taken(pseudonym=pseudonym, kind="withdrawn")
