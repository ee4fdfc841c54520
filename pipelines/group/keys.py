"""The keys of a coordinator and of a practice. They lie in files of their own that only their owner can read.

A coordinator has one file for a group: a key that contributions are encrypted to (X25519, in the age format) and one
that agreements and results are signed with (Ed25519). A practice has one file for a warehouse, 32 random bytes; from
them comes an Ed25519 key for each group and practice (HKDF-SHA256, RFC 5869), and from its public half the pseudonym:
random to anyone without the file, different in every group, and of no use to anyone who cannot sign with it.
"""

import base64
import hashlib
import re
import secrets
from dataclasses import dataclass
from pathlib import Path

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF
from pyrage import x25519

from warehouse.errors import KeyProblemError
from warehouse.pooled.agreement import Coordinator
from warehouse.private_files import check_private, read_key_text, write_private

_GROUP_HEADER = "menton group key, version 1"
_PRACTICE_HEADER = "menton contribution key, version 1"
_GROUP = re.compile(rf"{_GROUP_HEADER}\r?\n(AGE-SECRET-KEY-1[0-9A-Z]{{58}})\r?\n([0-9a-f]{{64}})\r?\n?")
_PRACTICE = re.compile(rf"{_PRACTICE_HEADER}\r?\n([0-9a-f]{{64}})\r?\n?")
PSEUDONYM = re.compile(r"P(-[A-Z2-7]{4}){4}")


class _Signer:
    """Someone who signs (Ed25519)."""

    __slots__ = ()
    seed: bytes

    @property
    def public(self) -> str:
        """The public key that the signatures are checked with, in hex."""
        return public_of(self.seed)

    def sign(self, message: bytes) -> bytes:
        """Sign a message."""
        return _private(self.seed).sign(message)


@dataclass(frozen=True, slots=True)
class GroupKeys(_Signer):
    """The coordinator's keys; ``repr`` shows none of them."""

    identity: str
    seed: bytes

    def __repr__(self) -> str:
        return f"GroupKeys(recipient={self.recipient!r})"

    @property
    def recipient(self) -> str:
        """The public key that practices encrypt to."""
        return str(x25519.Identity.from_str(self.identity).to_public())

    def named(self, name: str) -> Coordinator:
        """The public halves under a name."""
        return Coordinator(name, self.recipient, self.public)


def make_group_keys(path: Path) -> GroupKeys:
    """Make a group's keys in a file that is not there yet."""
    text = f"{_GROUP_HEADER}\n{x25519.Identity.generate()}\n{secrets.token_hex(32)}\n"
    if not write_private(path, text):
        found = "there is a key file of this name already"
        raise KeyProblemError(found, where=path.name, remedy="name another file; a key is never overwritten")
    return read_group_keys(path)


def read_group_keys(path: Path) -> GroupKeys:
    """The coordinator's keys; refused where others can read the file, or it is no key file of a group."""
    match = _GROUP.fullmatch(_private_text(path))
    if match is None:
        raise _no_key(path, _GROUP_HEADER)
    return GroupKeys(match[1], bytes.fromhex(match[2]))


@dataclass(frozen=True, slots=True)
class PracticeKey(_Signer):
    """A practice's own key in one group; ``repr`` shows the pseudonym alone."""

    seed: bytes
    group: str

    def __repr__(self) -> str:
        return f"PracticeKey({self.pseudonym!r})"

    @property
    def pseudonym(self) -> str:
        """What the practice is called in the group."""
        return pseudonym_of(self.public, self.group)


def practice_key(path: Path, *, group: str, practice: str, create: bool) -> PracticeKey:
    """The key of a practice in a group, from the file of its warehouse, made first where ``create`` says so."""
    if create:
        write_private(path, f"{_PRACTICE_HEADER}\n{secrets.token_hex(32)}\n")
    match = _PRACTICE.fullmatch(_private_text(path))
    if match is None:
        raise _no_key(path, _PRACTICE_HEADER)
    info = f"menton practice\x1f{group}\x1f{practice}".encode()
    seed = HKDF(algorithm=SHA256(), length=32, salt=None, info=info).derive(bytes.fromhex(match[1]))
    return PracticeKey(seed, group)


def pseudonym_of(public: str, group: str) -> str:
    """The pseudonym that belongs to a public key in a group: 80 bits of a hash, in groups of four letters."""
    digest = hashlib.sha256(f"menton pseudonym\x1f{group}\x1f{public}".encode()).digest()
    text = base64.b32encode(digest[:10]).decode("ascii")
    return "P-" + "-".join(text[i : i + 4] for i in range(0, 16, 4))


def public_of(seed: bytes) -> str:
    """The public half of a signing key, in hex."""
    return _private(seed).public_key().public_bytes_raw().hex()


def is_signed(public: str, signature: bytes, message: bytes) -> bool:
    """Whether the owner of a public key signed a message."""
    try:
        Ed25519PublicKey.from_public_bytes(bytes.fromhex(public)).verify(signature, message)
    except (InvalidSignature, ValueError):
        return False
    return True


def _private(seed: bytes) -> Ed25519PrivateKey:
    return Ed25519PrivateKey.from_private_bytes(seed)


def _private_text(path: Path) -> str:
    check_private(path)
    return read_key_text(path)


def _no_key(path: Path, header: str) -> KeyProblemError:
    found = "this is not the key file that is needed, or it was changed"
    return KeyProblemError(
        found, where=path.name, expected=f"a file that begins {header!r}", remedy="name the right one"
    )
