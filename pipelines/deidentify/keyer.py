"""The practice's key, and the keyed hash that stands for a case.

A case key is HMAC-SHA256 (RFC 2104, FIPS 180-4) of practice and case number, cut to 96 bits and written as 24 hex
digits: the same case gets the same key on every delivery, and without the key file nobody can go back, not even by
trying every case number. With a million cases the chance that any two share a key is about 6e-18 (birthday bound,
n^2 / 2^97).
"""

from __future__ import annotations

import hashlib
import re
import secrets
from pathlib import Path

import polars as pl

from warehouse.errors import KeyProblemError
from warehouse.private_files import check_private, read_key_text, write_private

KEY_BYTES = 32
HASH_HEX_DIGITS = 24
_HEADER = "menton case key, version 1"
_SEPARATOR = "\x1f"


class Keyer:
    """Turns case numbers into keyed hashes.

    Args:
        key: 32 secret bytes.

    Raises:
        KeyProblemError: The key has another length.
    """

    __slots__ = ("_inner", "_outer")

    def __init__(self, key: bytes) -> None:
        if len(key) != KEY_BYTES:
            found = f"the case key has {len(key)} bytes"
            raise KeyProblemError(found, expected=f"{KEY_BYTES} bytes")
        block = key.ljust(hashlib.sha256().block_size, b"\0")
        self._inner = hashlib.sha256(bytes(byte ^ 0x36 for byte in block))
        self._outer = hashlib.sha256(bytes(byte ^ 0x5C for byte in block))

    def __repr__(self) -> str:
        return f"Keyer(fingerprint={self.fingerprint()!r})"

    @classmethod
    def from_file(cls, path: Path) -> Keyer:
        """The keyer of a key file, which is created with a fresh key where there is none.

        The file is created so that only its owner can read it. Its folder must exist.

        Raises:
            KeyProblemError: The file is readable by others, is not a key file, or cannot be read or created.
        """
        fresh = f"{_HEADER}\n{secrets.token_hex(KEY_BYTES)}\n"
        if write_private(path, fresh):
            return cls(_parse(fresh, path))
        check_private(path)
        return cls(_parse(read_key_text(path), path))

    def fingerprint(self) -> str:
        """Twelve hex digits that tell keys apart and reveal nothing of the key."""
        return self._hash(f"fingerprint{_SEPARATOR}".encode())[:12]

    def key(self, practice: str, case_id: str) -> str:
        """The keyed hash of one case: 24 hex digits."""
        return self._hash(_prefix(practice) + case_id.encode())[:HASH_HEX_DIGITS]

    def keys(self, practice: str, case_ids: pl.Series) -> pl.Series:
        """The keyed hashes of a column of case numbers.

        Args:
            practice: Pseudonym of the practice.
            case_ids: Text of shape (n,); null stays null. Each distinct number is hashed once.

        Returns:
            Text of shape (n,), named ``case_id``.
        """
        distinct = case_ids.drop_nulls().unique()
        if distinct.len() == case_ids.len():
            return self._hash_all(practice, case_ids)
        hashed = self._hash_all(practice, distinct)
        return case_ids.replace_strict(distinct, hashed, default=None, return_dtype=pl.String).alias("case_id")

    def _hash_all(self, practice: str, case_ids: pl.Series) -> pl.Series:
        prefix, one = _prefix(practice), self._hash
        hashed = [one(prefix + case_id.encode())[:HASH_HEX_DIGITS] for case_id in case_ids.to_list()]
        return pl.Series("case_id", hashed, dtype=pl.String)

    def _hash(self, message: bytes) -> str:
        """HMAC-SHA256 in hex, from the two prepared states: half the time of ``hmac.digest`` on short messages."""
        inner = self._inner.copy()
        inner.update(message)
        outer = self._outer.copy()
        outer.update(inner.digest())
        return outer.hexdigest()


def _prefix(practice: str) -> bytes:
    return f"case{_SEPARATOR}{practice}{_SEPARATOR}".encode()


def _parse(text: str, path: Path) -> bytes:
    match = re.fullmatch(rf"{_HEADER}\r?\n([0-9a-f]{{{2 * KEY_BYTES}}})\r?\n?", text)
    if match is None:
        found = "this is not a key file, or it was changed"
        remedy = "put back the copy you kept; a new key would make every case look like a new one"
        raise KeyProblemError(
            found, where=path.name, expected=f"{_HEADER!r} and {2 * KEY_BYTES} hex digits", remedy=remedy
        )
    return bytes.fromhex(match[1])
