"""Files that a coordinator signs (agreements, results), and JSON that may come from anyone.

An agreement for a practice that joins has an invitation beside it, a random code. The group keeps only its hash and
accepts it once. Handed out so that nobody knows who got which, it lets a practice in without telling the coordinator
which practice it is.
"""

import hashlib
import json
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import accumulate
from pathlib import Path
from typing import Any, TypeAlias

from pipelines.group.keys import GroupKeys, is_signed
from warehouse.errors import GroupError
from warehouse.pooled.agreement import (
    FORMAT,
    Agreement,
    Coordinator,
    agreement_from,
    check_format,
    coordinators_from,
    plain_coordinators,
)
from warehouse.pooled.result import FORMAT as RESULT_FORMAT
from warehouse.pooled.result import GroupResult, result_from
from warehouse.store.chain import canonical

_MOST_AGREEMENT = 1_000_000
MOST_RESULT = 20 * 2**20
_DEEPEST = 24
_SIGNATURE = re.compile(r"[0-9a-f]{128}")
_INVITATION = re.compile(r"[0-9a-f]{32}")
_PARTS = frozenset({"signature", "signed_by"})
Signed: TypeAlias = dict[str, Any]
"""A part, who signed it, and the signature."""
_DAY = re.compile(r"\d{4}-\d\d-\d\d")
_SIGNED = {
    "agreement": (b"menton agreement\x1f", "the agreement was changed, or is not one"),
    "result": (b"menton group result\x1f", "the result was changed, or comes from another coordinator"),
    "round": (b"menton round\x1f", "the round was changed, or comes from another coordinator"),
    "coordinators": (b"menton coordinators\x1f", "who coordinates the group was changed, or not by one of them"),
    "card": (b"menton coordinator card\x1f", "the card of a coordinator was changed, or is not one"),
}
"""What can be signed -> what its signature begins with, and what is said where that does not fit."""


@dataclass(frozen=True, slots=True)
class Offered:
    """An agreement as a practice got it; ``invitation`` is empty where the file holds none, and never shown."""

    agreement: Agreement
    invitation: str = ""
    until: str = ""  # The last day of the invitation, as the file says; the group's record decides
    # Who coordinated the group, by public keys, from its founding until now
    succession: tuple[frozenset[str], ...] = ()

    def follows(self, known: frozenset[str]) -> bool:
        """Whether coordinators with these keys lead to those of the agreement, each change signed by one before it."""
        return known in self.succession

    def __repr__(self) -> str:
        return f"Offered({self.agreement.name!r}, version {self.agreement.version})"


def agreement_text(
    agreement: Agreement, keys: GroupKeys, succession: Sequence[Signed], *, invitation: str = "", until: str = ""
) -> str:
    """The text of an agreement file; ``succession``: all changes of coordinators, oldest first."""
    beside: dict[str, object] = {"succession": list(succession)}
    beside |= {"invitation": invitation, "until": until} if invitation else {}
    return json.dumps(signed("agreement", agreement.to_dict(), keys) | beside, indent=1, sort_keys=True) + "\n"


def read_agreement(path: Path) -> Offered:
    """The agreement in a file; refused where the key named in it did not sign it as it is."""
    return offered_from(read_bytes(path, most=_MOST_AGREEMENT, what="the agreement"), where=path.name)


def offered_from(data: bytes, *, where: str) -> Offered:
    """The agreement in the bytes of a file; see :func:`read_agreement`."""
    whole = read_json(data, most=_MOST_AGREEMENT, what="the agreement")
    if isinstance(whole, dict) and isinstance(whole.get("agreement"), dict):
        check_format(whole["agreement"].get("format"), FORMAT)
    plain, before = coordinated(whole, "agreement", where, beside=("invitation", "until"))
    agreement = agreement_from(plain)
    if before[-1] != agreement.coordinators:
        raise _changed("agreement", where)
    invitation, until = whole.get("invitation", ""), whole.get("until", "")
    if invitation and not (isinstance(invitation, str) and _INVITATION.fullmatch(invitation)):
        raise _changed("agreement", where)
    if until and not (isinstance(until, str) and _DAY.fullmatch(until)):
        raise _changed("agreement", where)
    return Offered(agreement, invitation, until, tuple(map(publics, before)))


def publics(coordinators: Sequence[Coordinator]) -> frozenset[str]:
    """Their public keys."""
    return frozenset(one.public for one in coordinators)


def succeeded(group: str, coordinators: Sequence[Coordinator], keys: GroupKeys, succession: Sequence[Signed]) -> Signed:
    """The next line of a succession: who coordinates from now on, signed by one who did so until now."""
    plain = {"group": group, "number": len(succession), "coordinators": plain_coordinators(coordinators)}
    return signed("coordinators", plain, keys)


def succession_from(listed: object, group: str, where: str) -> tuple[tuple[Coordinator, ...], ...]:
    """Who coordinated a group, oldest first; refused unless each change is signed by one of those before it."""
    found: list[tuple[Coordinator, ...]] = []
    for number, one in enumerate(listed if isinstance(listed, list) else []):
        plain = _checked(one, "coordinators", where)
        now = coordinators_from(plain.get("coordinators"))
        in_place = (plain.get("group"), plain.get("number")) == (group, number)
        if not in_place or one["signed_by"] not in publics(found[-1] if found else now):
            raise _changed("coordinators", where)
        found.append(now)
    if not found:
        raise _changed("coordinators", where)
    return tuple(found)


def coordinated(
    whole: Any,  # noqa: ANN401 - whatever the text of a file holds
    part: str,
    where: str,
    *,
    beside: Iterable[str] = (),
) -> tuple[dict[str, Any], tuple[tuple[Coordinator, ...], ...]]:
    """What a coordinator of the group it names signed, and the succession he stands in; anything else is refused."""
    plain = _checked(whole, part, where, beside=("succession", *beside))
    before = succession_from(whole.get("succession"), str(plain.get("group")), where)
    if whole["signed_by"] not in publics(before[-1]):
        raise _changed(part, where)
    return plain, before


def card_text(name: str, keys: GroupKeys) -> str:
    """The public keys of someone who is to coordinate, as a file for those who do."""
    (listed,) = plain_coordinators(coordinators_from([[name, keys.recipient, keys.public]]))
    return json.dumps(signed("card", {"coordinator": listed}, keys), indent=1) + "\n"


def read_card(path: Path) -> Coordinator:
    """The coordinator in a card, signed with the key it names."""
    data = read_bytes(path, most=_MOST_AGREEMENT, what="the card", remedy="name the card the new coordinator made")
    whole = read_json(data, most=_MOST_AGREEMENT, what="the card")
    plain = _checked(whole, "card", path.name)
    (found,) = coordinators_from([plain.get("coordinator")])
    if found.public != whole["signed_by"]:
        raise _changed("card", path.name)
    return found


def hash_of_invitation(group: str, invitation: str) -> str:
    """What the group keeps of an invitation."""
    return hashlib.sha256(f"menton invitation\x1f{group}\x1f{invitation}".encode()).hexdigest()


def result_text(result: GroupResult, keys: GroupKeys, succession: Sequence[Signed]) -> str:
    """The text of a result file."""
    return json.dumps(signed("result", result.to_dict(), keys) | {"succession": list(succession)}, indent=1) + "\n"


def read_result(path: Path, *, known: frozenset[str] = frozenset()) -> GroupResult:
    """A result; refused unless one signed it to whom the coordinators ``known`` by their keys lead."""
    data = read_bytes(path, most=MOST_RESULT, what="the result")
    whole = read_json(data, most=MOST_RESULT, what="the result")
    if isinstance(whole, dict) and isinstance(whole.get("result"), dict):
        check_format(whole["result"].get("format"), RESULT_FORMAT)
    plain, before = coordinated(whole, "result", path.name)
    result = result_from(plain)
    if known and known not in map(publics, before):
        raise _changed("result", path.name)
    return result


def signed(part: str, plain: Mapping[str, Any], keys: GroupKeys) -> Signed:
    """One of the parts that can be signed, with its signature."""
    return {part: plain, "signed_by": keys.public, "signature": keys.sign(_SIGNED[part][0] + canonical(plain)).hex()}


def _checked(whole: object, part: str, where: str, *, beside: Iterable[str] = ()) -> dict[str, Any]:
    """What is signed in a file, by the key it names; whose key that is, is for the caller to ask."""
    if isinstance(whole, dict) and _PARTS | {part} <= set(whole) <= _PARTS | {part, *beside}:
        plain, signature, public = whole[part], whole["signature"], whole["signed_by"]
        are_texts = isinstance(public, str) and isinstance(signature, str)
        if isinstance(plain, dict) and are_texts and _SIGNATURE.fullmatch(signature):
            message = _SIGNED[part][0] + canonical(plain)
            if is_signed(public, bytes.fromhex(signature), message):
                return dict(plain)
    raise _changed(part, where)


def _changed(part: str, where: str) -> GroupError:
    expected = "the file as the coordinator signed it"
    return GroupError(_SIGNED[part][1], where=where, expected=expected, remedy="ask for it again")


def read_bytes(path: Path, *, most: int, what: str, remedy: str = "name the file the coordinator sent") -> bytes:
    """The bytes of a file; of a file longer than ``most``, one more than that."""
    try:
        with path.open("rb") as stream:
            return stream.read(most + 1)
    except OSError as error:
        found = f"{what} cannot be read: {error.strerror or type(error).__name__}"
        raise GroupError(found, where=path.name, remedy=remedy) from error


def read_json(data: bytes, *, most: int, what: str) -> Any:  # noqa: ANN401 - whatever the text holds
    """The value of a JSON text of at most ``most`` bytes: no key twice, no number that is none, no endless nesting."""
    if len(data) > most:
        raise GroupError(f"{what} is longer than {most:,} bytes", remedy="ask for the file again")
    try:
        if _depth(data) > _DEEPEST:
            raise RecursionError
        return json.loads(data.decode("ascii"), object_pairs_hook=_pairs, parse_float=_finite, parse_constant=_finite)
    except (ValueError, RecursionError) as error:
        found = f"{what} cannot be read"
        raise GroupError(found, expected="JSON as this program writes it", remedy="ask for the file again") from error


def _depth(data: bytes) -> int:
    """The deepest nesting of brackets, those inside texts counted too: never less than the true one."""
    return max(accumulate((byte in b"[{") - (byte in b"]}") for byte in data), default=0)


def _pairs(pairs: Sequence[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        raise ValueError
    return found


def _finite(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise ValueError
    return value
