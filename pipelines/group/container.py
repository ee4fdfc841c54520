r"""The file a practice sends: a manifest, a signature, and the members with the lengths and hashes the manifest lists.

::

    menton contribution, version 1\\n
    00000734\\n                    length of the manifest
    {...}                          manifest, JSON
    64 bytes                       Ed25519 signature over the lines above
    members, one after the other, as the manifest lists them
    zero bytes up to a multiple of 65,536, so that the length of the file says little

All of it is encrypted to the group's public key. There is no archive format: no path, no link and no compression, so
none of their tricks. Nothing is unpickled.
"""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import pyrage

from pipelines.group.keys import GroupKeys, PracticeKey, is_signed
from pipelines.group.signed_file import read_json
from warehouse.errors import GroupError, MentonError
from warehouse.store.chain import canonical
from warehouse.toml_files import shaped

_MAGIC = b"menton contribution, version 1\n"
_LENGTH = 8
_SIGNATURE = 64
_BLOCK = 65_536
MOST_FILE = 64 * 2**20
MOST_MANIFEST = 65_536
MOST_MEMBERS = 2
MEMBERS = {"cases.json": 16 * 2**20, "tables.json": 4 * 2**20, "sums.bin": 4 * 2**20}
"""Name of a member -> most bytes it may have."""


@dataclass(frozen=True, slots=True)
class Contents:
    """An opened file: its manifest and members, hashes and signature checked."""

    manifest: Mapping[str, Any]
    members: Mapping[str, bytes]

    @property
    def id(self) -> str:
        """Twelve hex digits that tell this contribution from any other."""
        return hashlib.sha256(canonical(self.manifest)).hexdigest()[:12]


def seal(
    manifest: Mapping[str, Any], members: Mapping[str, bytes], key: PracticeKey, *, recipients: Sequence[str]
) -> bytes:
    """Put a file together, sign it and encrypt it; members and the practice's key are added to the manifest."""
    listed = [[name, len(data), hashlib.sha256(data).hexdigest()] for name, data in members.items()]
    whole = {**manifest, "pseudonym": key.pseudonym, "public_key": key.public, "members": listed}
    text = canonical(whole)
    head = _MAGIC + f"{len(text):0{_LENGTH}}\n".encode("ascii") + text
    body = head + key.sign(head) + b"".join(members.values())
    return encrypted(body + bytes(-len(body) % _BLOCK), recipients)


def encrypted(body: bytes, recipients: Sequence[str]) -> bytes:
    """Encrypt to several keys, any one of which opens it."""
    sealed: bytes = pyrage.encrypt(body, [pyrage.x25519.Recipient.from_str(one) for one in recipients])
    return sealed


def unseal(data: bytes, *keys: GroupKeys) -> bytes:
    """Decrypt a file by any of the keys; refused where it is too long, not encrypted to this group, or was changed."""
    if len(data) > MOST_FILE:
        raise GroupError(f"the file is longer than {MOST_FILE // 2**20} MB", remedy="ask the practice to make it again")
    try:
        opened: bytes = pyrage.decrypt(data, [pyrage.x25519.Identity.from_str(one.identity) for one in keys])
    except pyrage.DecryptError as error:
        found = "the file does not open: it is for another group or other coordinators, cut short, or was changed"
        raise GroupError(found, remedy="ask the practice to make it again with the agreement in force") from error
    return opened


def unpack(body: bytes) -> Contents:
    """Take a decrypted file apart; its signature, lengths and hashes are checked first."""
    start = len(_MAGIC) + _LENGTH + 1
    length = body[len(_MAGIC) : start]
    if body[: len(_MAGIC)] != _MAGIC or not length[:-1].isdigit() or length[-1:] != b"\n":
        raise _changed("it does not begin like a contribution")
    end = start + int(length)
    if int(length) > MOST_MANIFEST or end + _SIGNATURE > len(body):
        raise _changed("its manifest is too long")
    manifest = read_json(body[start:end], most=MOST_MANIFEST, what="the manifest")
    if not isinstance(manifest, dict) or canonical(manifest) != body[start:end]:
        raise _changed("its manifest is not written as it should be")
    public = manifest.get("public_key")
    if not isinstance(public, str) or not is_signed(public, body[end : end + _SIGNATURE], body[:end]):
        raise _changed("its signature does not fit")
    return Contents(manifest, _members(manifest.get("members"), body, end + _SIGNATURE))


def _members(listed: object, body: bytes, position: int) -> dict[str, bytes]:
    entries, _ = shaped(list[tuple[Literal["cases.json", "tables.json", "sums.bin"], int, str]], listed)
    if not entries or len(entries) > MOST_MEMBERS:
        raise _changed("it lists no members, too many, or a member it should not have")
    found: dict[str, bytes] = {}
    for name, length, digest in entries:
        if name in found or not 0 <= length <= MEMBERS[name]:
            raise _changed("it lists a member it should not have, or a length that cannot be")
        data = body[position : position + length]
        if len(data) != length or hashlib.sha256(data).hexdigest() != digest:
            raise _changed(f"{name} does not fit its hash")
        found[name] = data
        position += length
    rest = body[position:]
    if len(rest) >= _BLOCK or any(rest) or len(body) % _BLOCK:
        raise _changed("something stands after its last member")
    return found


def _changed(what: str) -> MentonError:
    found = f"the file is not a contribution as a practice makes it: {what}"
    return GroupError(found, remedy="ask the practice to make it again")
