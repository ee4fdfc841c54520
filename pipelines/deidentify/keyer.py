"""The practice's key, and the keyed hash that stands for a case.

A case key is HMAC-SHA256 (RFC 2104, FIPS 180-4) of practice and case number, cut to 96 bits and written as 24 hex
digits: the same case gets the same key on every delivery, and without the key file nobody can go back, not even by
trying every case number. With a million cases the chance that any two share a key is about 6e-18 (birthday bound,
n^2 / 2^97).

A case number is taken without spaces (but for one between two digits), without regard to capitals, to zeros before a
number and to ``.0`` behind one: ``IT-001``, ``it-1`` and ``IT - 1`` are one case. Where the warehouse has a key of the
number as it is written, made before this rule, that key stays. A mapping may state of a practice that its numbers are
taken as they are written: the warehouse keeps that under a keyed mark.
"""

from __future__ import annotations

import hashlib
import re
import secrets
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

import polars as pl

from warehouse.errors import KeyProblemError
from warehouse.private_files import check_private, read_key_text, write_private

KEY_BYTES = 32
HASH_HEX_DIGITS = 24
_HEADER = "menton case key, version 1"
_SEPARATOR = "\x1f"
AT_ONCE = 100_000
"""Numbers hashed at the same time: as Python texts a million would take 150 MB."""


def case_numbers(written: pl.Series) -> pl.Series:
    """Case numbers by the rule above: text of shape (n,), null stays null."""
    text = pl.col("text").str.replace_all("[\u200b-\u200d\u2060\ufeff\u00ad]", "").str.strip_chars()
    frame = written.alias("text").to_frame().with_columns(tidy=text.str.to_lowercase())
    text = pl.col("tidy")
    if frame["tidy"].str.contains(r"[\s\x1f]").any():
        text = text.str.replace_all(r"\s+", " ")
        for _ in range(2):  # neighbouring gaps share a digit
            text = text.str.replace_all(r"(\d) (\d)", "$1\x1f$2")
        text = text.str.replace_all(" ", "").str.replace_all("\x1f", " ")
    text = text.str.replace_all(r"(^|[^\d.,])0+(\d)", "${1}${2}").str.replace_all(r"^(\d+)[.,]0+$", "$1")
    text = pl.when(text == "").then(pl.col("text")).otherwise(text)
    return frame.select(text.alias("case_id")).to_series()


def none_known(keys: pl.Series) -> pl.Series:
    """Of some keys, those of a warehouse that has no case yet."""
    return keys.clear()


@dataclass(frozen=True, slots=True)
class KnownNumbers:
    """What a warehouse knows of the numbers of its cases."""

    known: Callable[[pl.Series], pl.Series] = none_known  # Of some keys, those that the warehouse has
    joined: Mapping[str, str] = field(default_factory=dict)  # Key of a second number of a case -> key of the case
    as_written: frozenset[str] = frozenset()  # Marks of practices whose numbers are taken as they are written
    names: Mapping[str, str] = field(default_factory=dict)  # Practice -> the name its keys are made with, if another


class Keyer:
    """Turns case numbers into keyed hashes.

    ``key``: 32 secret bytes. ``numbers``: What the warehouse knows of the numbers of its cases. Raises KeyProblemError:
    the key has another length.
    """

    __slots__ = ("_inner", "_numbers", "_outer")

    def __init__(self, key: bytes, numbers: KnownNumbers | None = None) -> None:
        self._numbers = numbers or KnownNumbers()
        if len(key) != KEY_BYTES:
            raise KeyProblemError(f"the case key has {len(key)} bytes", expected=f"{KEY_BYTES} bytes")
        block = key.ljust(hashlib.sha256().block_size, b"\0")
        self._inner = hashlib.sha256(bytes(byte ^ 0x36 for byte in block))
        self._outer = hashlib.sha256(bytes(byte ^ 0x5C for byte in block))

    def __repr__(self) -> str:
        return f"Keyer(fingerprint={self.fingerprint()!r})"

    @classmethod
    def from_file(cls, path: Path) -> Keyer:
        """The keyer of a key file, which is created with a fresh key where there is none.

        The file is created so that only its owner can read it. Its folder must exist. Raises KeyProblemError: the file
        is readable by others, is not a key file, or cannot be read or created.
        """
        fresh = f"{_HEADER}\n{secrets.token_hex(KEY_BYTES)}\n"
        if write_private(path, fresh):
            return cls(_parse(fresh, path))
        check_private(path)
        return cls(_parse(read_key_text(path), path))

    def knowing(self, numbers: KnownNumbers) -> Keyer:
        """The same keyer for a warehouse that knows numbers already."""
        other = object.__new__(Keyer)
        other._inner, other._outer, other._numbers = self._inner, self._outer, numbers
        return other

    def fingerprint(self) -> str:
        """Twelve hex digits that tell keys apart and reveal nothing of the key."""
        return self._hash(f"fingerprint{_SEPARATOR}".encode())[:12]

    def key(self, practice: str, case_id: str) -> str:
        """The keyed hash of one text as it stands: 24 hex digits."""
        return self._hash(_prefix(practice) + case_id.encode())[:HASH_HEX_DIGITS]

    def keys(self, practice: str, case_ids: pl.Series) -> pl.Series:
        """The keyed hashes of a column of case numbers.

        ``practice``: Pseudonym of the practice. ``case_ids``: Text of shape (n,); null stays null. Each distinct number
        is hashed once.

        Returns: Text of shape (n,), named ``case_id``.
        """
        return self.numbered(practice, case_ids)[0]

    def numbered(self, practice: str, case_ids: pl.Series) -> tuple[pl.Series, int | None]:
        """``keys``, and how many spellings there are beyond the first of a number; None where all are by the rule."""
        distinct = case_ids.drop_nulls().unique()
        written = case_ids if distinct.len() == case_ids.len() else distinct
        tidied = written.str.strip_chars() if self.is_as_written(practice) else case_numbers(written)
        n_others = None if (tidied == written).all() else written.len() - tidied.n_unique()
        keys = self._keys_of(practice, written, tidied)
        if written is distinct:
            keys = case_ids.replace_strict(distinct, keys, default=None, return_dtype=pl.String).alias("case_id")
        return keys, n_others

    def _keys_of(self, practice: str, written: pl.Series, tidied: pl.Series) -> pl.Series:
        """The keys of distinct numbers: of the number as written where the warehouse has it, else by the rule."""
        numbers, practice = self._numbers, self.name_of(practice)
        keys = self._hash_all(practice, tidied)
        if numbers.known is not none_known and (tidied != written).any():
            earlier = self._hash_all(practice, written)
            keys = earlier.zip_with(earlier.is_in(numbers.known(earlier).to_list()), keys)
        return keys.replace(dict(numbers.joined)) if numbers.joined else keys

    def _hash_all(self, practice: str, case_ids: pl.Series) -> pl.Series:
        prefix, one = _prefix(practice), self._hash
        parts = [case_ids.clear(), *(case_ids[at : at + AT_ONCE] for at in range(0, len(case_ids), AT_ONCE))]
        return pl.concat(
            pl.Series("case_id", [one(prefix + number.encode())[:HASH_HEX_DIGITS] for number in part], dtype=pl.String)
            for part in parts
        )

    def _hash(self, message: bytes) -> str:
        """HMAC-SHA256 in hex, from the two prepared states: half the time of ``hmac.digest`` on short messages."""
        inner = self._inner.copy()
        inner.update(message)
        outer = self._outer.copy()
        outer.update(inner.digest())
        return outer.hexdigest()

    def possible(self, practice: str, number: str) -> list[str]:
        """Every key that a number may have: by the rule, and as it was written before there was one."""
        if self.is_as_written(practice):
            return self.keys(practice, pl.Series([number])).to_list()
        spelled = [case_numbers(pl.Series([number]))[0], number.strip(), number.strip().upper(), number.strip().lower()]
        keys = [self.key(self.name_of(practice), one) for one in spelled]
        return list(dict.fromkeys(self._numbers.joined.get(key, key) for key in keys))

    @property
    def as_written(self) -> frozenset[str]:
        """Marks of the practices whose numbers are taken as they are written."""
        return self._numbers.as_written

    def is_as_written(self, practice: str) -> bool:
        """Whether the numbers of a practice are taken as they are written."""
        return bool(self.as_written) and self._mark(practice) in self.as_written

    def taking(self, practice: str, *, as_written: bool) -> Keyer:
        """The same keyer, the numbers of a practice taken as they are written or by the rule."""
        marks = self.as_written - {self._mark(practice)} | ({self._mark(practice)} if as_written else set())
        return self.knowing(replace(self._numbers, as_written=marks))

    def _mark(self, practice: str) -> str:
        return self.key("numbers as written", self.name_of(practice))

    def name_of(self, practice: str) -> str:
        """The name that the keys of a practice are made with."""
        return self._numbers.names.get(practice, practice)

    def renamed(self, practice: str) -> str:
        """The present name of a practice that was once called so; empty where none was."""
        return next((now for now, made_with in self._numbers.names.items() if made_with == practice), "")

    def mask(self, text: str, *, of: str) -> str:
        """A name of at most 32 signs hidden or, given what this made of it, shown again; only this key can."""
        size = 32
        stream = bytes.fromhex(self._hash(f"name of{_SEPARATOR}{of}".encode()))
        given = bytes.fromhex(text) if len(text) == 2 * size else text.encode().ljust(size, b"\0")
        mixed = bytes(one ^ other for one, other in zip(given, stream, strict=True))
        return mixed.hex() if len(text) < 2 * size else mixed.rstrip(b"\0").decode()


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
