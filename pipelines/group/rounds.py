"""Counts that nobody sees: practices add masks to their tables that cancel in the sum over a round.

After Bonawitz et al. 2017 (Practical secure aggregation for privacy-preserving machine learning, CCS), without its
secret sharing. Every practice sends a public key when it joins (X25519, RFC 7748), signed with its own. For a round the
coordinator lists members with their keys. Each two of them agree on a secret; from it and the round's digest come a
key (HKDF-SHA256, RFC 5869) and a stream of numbers modulo 2**64 (ChaCha20, RFC 8439), which one of the two adds to its
table and the other takes away. Each table alone is uniform to anyone without those secrets; the sum of all is that of
the counts. If a member does not answer by the last day, nothing can be read, and a round is made without it.

Sums of two rounds can be subtracted. So no round is made or answered whose members, put together with those of earlier
rounds in any way, would leave one practice alone: a coordinator who says falsely that a member did not answer, and
keeps its table, learns the sum of two at best. What else is left: ``threats.md``.
"""

import hashlib
import json
import re
import secrets
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from cryptography.hazmat.primitives.asymmetric.x25519 import X25519PrivateKey, X25519PublicKey
from cryptography.hazmat.primitives.ciphers import Cipher
from cryptography.hazmat.primitives.ciphers.algorithms import ChaCha20
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

from pipelines.group.folder import GroupFolder, GroupState, write_whole
from pipelines.group.keys import PracticeKey, is_signed, pseudonym_of
from pipelines.group.signed_file import coordinated, publics, read_bytes, read_json, signed
from warehouse.errors import GroupError
from warehouse.pooled.agreement import Agreement, check_format
from warehouse.pooled.sums import Vector, length_of
from warehouse.store.chain import canonical
from warehouse.store.storage import utc_now
from warehouse.toml_files import shaped

FORMAT = "menton round, version 1"
DAYS_OPEN, _MOST_DAYS, _MOST_SHEET = 14, 400, 4_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundMember:
    """A practice of a round: its pseudonym, the key it signs with, and its key for masks with the signature over it."""

    pseudonym: str
    public: str
    mask_key: str
    signature: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundSheet:
    """What the coordinator asks of the members of a round."""

    format: str
    group: str
    number: int
    terms: str  # Of the agreement
    nonce: str  # Random, so that no two rounds have the same masks
    until: str  # The last day on which it is answered
    members: tuple[RoundMember, ...]  # In the order of their pseudonyms
    earlier: tuple[tuple[str, ...], ...]  # Pseudonyms of the members of the rounds before

    @property
    def digest(self) -> str:
        """SHA-256 of all of it."""
        return hashlib.sha256(canonical(self.to_dict())).hexdigest()

    @property
    def names(self) -> frozenset[str]:
        """The pseudonyms of its members."""
        return frozenset(one.pseudonym for one in self.members)

    def to_dict(self) -> dict[str, Any]:
        """The sheet as plain data."""
        return asdict(self)


def mask_key_of(key: PracticeKey) -> X25519PrivateKey:
    """A practice's secret key for masks in a group."""
    info = f"menton mask key\x1f{key.group}".encode()
    return X25519PrivateKey.from_private_bytes(
        HKDF(algorithm=SHA256(), length=32, salt=None, info=info).derive(key.seed)
    )


def signed_mask_key(key: PracticeKey) -> tuple[str, str]:
    """Its public half, and the practice's signature over it."""
    public = mask_key_of(key).public_key().public_bytes_raw().hex()
    return public, key.sign(_about(key.group, public)).hex()


def _about(group: str, mask_key: str) -> bytes:
    return f"menton mask key\x1f{group}\x1f{mask_key}".encode()


def is_own_mask_key(group: str, public: str, mask_key: str, signature: str) -> bool:
    """Whether the owner of a signing key signed this key for masks."""
    is_hex = re.fullmatch(r"[0-9a-f]{64}", mask_key) and re.fullmatch(r"[0-9a-f]{128}", signature)
    if not is_hex or not is_signed(public, bytes.fromhex(signature), _about(group, mask_key)):
        return False
    try:  # a key of which no secret can be made would stop everybody
        X25519PrivateKey.from_private_bytes(bytes(range(32))).exchange(_public(mask_key))
    except ValueError:
        return False
    return True


def _public(mask_key: str) -> X25519PublicKey:
    return X25519PublicKey.from_public_bytes(bytes.fromhex(mask_key))


def mask(secret: bytes, digest: str, pair: Iterable[str], length: int) -> Vector:
    """The numbers two practices add and take away: uniform modulo 2**64 to anyone without their secret.

    ``secret``: What the two agreed on. ``digest``: Of the round. ``pair``: Their keys for masks.
    """
    info = "\x1f".join(("menton mask", *sorted(pair))).encode()
    key = HKDF(algorithm=SHA256(), length=32, salt=bytes.fromhex(digest), info=info).derive(secret)
    stream = Cipher(ChaCha20(key, bytes(16)), mode=None).encryptor().update(bytes(8 * length))
    return np.frombuffer(stream, dtype="<u8").astype(np.uint64)


def masked(counts: Vector, key: PracticeKey, sheet: RoundSheet) -> bytes:
    """A practice's table with its masks, as it leaves: numbers modulo 2**64, least byte first."""
    own = mask_key_of(key)
    mine = own.public_key().public_bytes_raw().hex()
    made = counts.copy()
    for one in sheet.members:
        if one.mask_key != mine:
            secret = own.exchange(_public(one.mask_key))
            numbers = mask(secret, sheet.digest, (mine, one.mask_key), counts.size)
            made = made + numbers if mine < one.mask_key else made - numbers
    return made.astype("<u8").tobytes()


def added_up(tables: Sequence[bytes]) -> Vector:
    """The sum modulo 2**64 of masked tables."""
    total: Vector = np.sum([np.frombuffer(one, dtype="<u8") for one in tables], axis=0, dtype=np.uint64)
    return total


def told_alone(rounds: Iterable[frozenset[str]]) -> list[str]:
    """Practices whose table is a sum or difference of the sums of these rounds, if no count changed between them."""
    listed = sorted(set(rounds), key=sorted)
    everyone = sorted(frozenset().union(*listed))
    rows = np.array([[name in one for name in everyone] for one in listed], dtype=float).reshape(-1, len(everyone))
    rank = np.linalg.matrix_rank(rows)
    alone = np.eye(len(everyone))
    return [name for i, name in enumerate(everyone) if np.linalg.matrix_rank(np.vstack([rows, alone[i]])) == rank]


def make_round(folder: GroupFolder, *, without: Sequence[str] = (), days: int = DAYS_OPEN) -> RoundSheet:
    """Ask the practices that take part for their tables, but those left out; the round before must be over.

    Raises GroupError: the agreement is not about sums, too few practices are left, the round before is still open, or
    what it leaves out would tell one practice.
    """
    keys, agreement = folder.keys(), folder.agreement()
    if agreement.level != "sums" or not 1 <= days <= _MOST_DAYS:
        found = f"the agreement asks for {agreement.level}" if agreement.level != "sums" else f"a round of {days} days"
        raise GroupError(found, expected=f"sums, and from 1 to {_MOST_DAYS} days")
    length_of(agreement)
    with folder.held() as state:
        today = utc_now().date()
        if state.rounds and who_answered(state)[1] and state.rounds[-1]["until"] >= today.isoformat():
            found = f"round {len(state.rounds)} can be answered until {state.rounds[-1]['until']}"
            raise GroupError(found, remedy="wait until that day is over: an answer that comes late would tell too much")
        taking_part = {
            name: one
            for name, one in sorted(state.practices.items())
            if one.is_in and one.mask_key and folder.counts_under(agreement, one.agreement)
        }
        if not set(without) <= set(taking_part):
            found = f"{', '.join(sorted(set(without) - set(taking_part)))} would not be in the round anyway"
            raise GroupError(found, expected=", ".join(taking_part))
        members = tuple(
            RoundMember(pseudonym=name, public=one.public, mask_key=one.mask_key, signature=one.mask_signature)
            for name, one in taking_part.items()
            if name not in without
        )
        sheet = RoundSheet(
            format=FORMAT,
            group=agreement.group,
            number=len(state.rounds) + 1,
            terms=agreement.terms,
            nonce=secrets.token_hex(16),
            until=(today + timedelta(days=days)).isoformat(),
            members=members,
            earlier=tuple(tuple(sorted(one["members"])) for one in state.rounds),
        )
        _check_members(sheet, agreement, ())
        text = json.dumps(signed("round", sheet.to_dict(), keys) | {"succession": state.succession}, indent=1) + "\n"
        write_whole(folder.round_path(sheet.number), text.encode())
        folder.note("round", number=sheet.number, digest=sheet.digest, until=sheet.until, members=sorted(sheet.names))
    return sheet


def _check_members(sheet: RoundSheet, agreement: Agreement, answered: Iterable[frozenset[str]]) -> None:
    """Refuse a round of too few, or one by which a practice could be told from the others."""
    if len(sheet.members) < agreement.fewest_practices:
        found = f"{len(sheet.members)} practices would be in the round"
        raise GroupError(found, expected=f"at least {agreement.fewest_practices}")
    if alone := told_alone([*map(frozenset, sheet.earlier), *answered, sheet.names]):
        found = f"together with earlier rounds this one would tell the table of {', '.join(alone)} alone"
        remedy = "leave out one more (`--without`), or wait until one more joins: never one alone"
        raise GroupError(found, remedy=remedy)


def who_answered(state: GroupState) -> tuple[list[str], list[str]]:
    """Members of the last round whose table is in, and those whose is not."""
    if not state.rounds:
        return [], []
    last = state.rounds[-1]
    is_in = {name for name, one in state.practices.items() if one.is_in and one.round == last["digest"]}
    return sorted(is_in & set(last["members"])), sorted(set(last["members"]) - is_in)


def read_round(path: Path) -> tuple[RoundSheet, tuple[frozenset[str], ...]]:
    """The sheet of a round, and the coordinators' public keys from the founding on.

    Refused unless a coordinator signed it, and each member its own key for masks.
    """
    data = read_bytes(path, most=_MOST_SHEET, what="the round", remedy="name the round the coordinator sent")
    whole = read_json(data, most=_MOST_SHEET, what="the round")
    if isinstance(whole, dict) and isinstance(whole.get("round"), dict):
        check_format(whole["round"].get("format"), FORMAT)
    plain, before = coordinated(whole, "round", path.name)
    sheet, _ = shaped(RoundSheet, plain)
    if not isinstance(sheet, RoundSheet) or sheet.format != FORMAT or not re.fullmatch(r"[0-9a-f]{32}", sheet.nonce):
        raise GroupError("the round is not as it should be", where=path.name, remedy="ask for it again")
    for one in sheet.members:
        is_own = is_own_mask_key(sheet.group, one.public, one.mask_key, one.signature)
        if not is_own or one.pseudonym != pseudonym_of(one.public, sheet.group):
            found = f"the key of {one.pseudonym} in the round is not its own"
            raise GroupError(found, where=path.name, remedy="do not answer it; ask the coordinator and the others")
    keys = {one.mask_key for one in sheet.members}
    if len(keys) < len(sheet.members) or len(sheet.names) < len(sheet.members):
        raise GroupError("the round names a practice twice", where=path.name, remedy="do not answer it")
    return sheet, tuple(map(publics, before))


def round_to_answer(
    path: Path, agreement: Agreement, pseudonym: str, *, known: frozenset[str], answered: Mapping[str, frozenset[str]]
) -> RoundSheet:
    """A round that a practice may answer.

    ``known``: Public keys of the coordinators it knows. ``answered``: Digest -> members of the rounds it answered.
    """
    sheet, before = read_round(path)
    if known not in before or sheet.group != agreement.group or sheet.terms != agreement.terms:
        found = "the round is of another group, another agreement or other coordinators"
        raise GroupError(found, where=path.name, remedy="use it with the agreement it was made under")
    if pseudonym not in sheet.names:
        found = "this practice is not in the round: it joined later, has withdrawn, or was left out"
        raise GroupError(found, where=path.name, remedy="nothing needs to be done; ask the coordinator why")
    if date.fromisoformat(sheet.until) < utc_now().date():
        found = f"the round could be answered until {sheet.until}"
        raise GroupError(found, where=path.name, remedy="wait for the next one: a late answer would tell too much")
    _check_members(sheet, agreement, [one for digest, one in answered.items() if digest != sheet.digest])
    return sheet
