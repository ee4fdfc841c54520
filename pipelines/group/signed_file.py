"""Files that a coordinator signs (agreements, results), and JSON that may come from anyone.

An agreement for a practice that joins has an invitation beside it, a random code. The group keeps only its hash and
accepts it once. Handed out so that nobody knows who got which, it lets a practice in without telling the coordinator
which practice it is.
"""

import hashlib
import json
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipelines.group.keys import GroupKeys, is_signed
from warehouse.errors import GroupError
from warehouse.pooled.agreement import Agreement, agreement_from
from warehouse.pooled.result import GroupResult, result_from
from warehouse.store.chain import canonical

_MOST_AGREEMENT = 1_000_000
MOST_RESULT = 20 * 2**20
_DEEPEST = 24
_SIGNATURE = re.compile(r"[0-9a-f]{128}")
_INVITATION = re.compile(r"[0-9a-f]{32}")
_DAY = re.compile(r"\d{4}-\d\d-\d\d")
_SIGNED = {
    "agreement": (b"menton agreement\x1f", "the agreement was changed, or is not one"),
    "result": (b"menton group result\x1f", "the result was changed, or comes from another coordinator"),
}
"""What can be signed -> what its signature begins with, and what is said where that does not fit."""


@dataclass(frozen=True, slots=True)
class Offered:
    """An agreement as a practice got it; ``invitation`` is empty where the file holds none, and never shown."""

    agreement: Agreement
    invitation: str = ""
    until: str = ""  # The last day of the invitation, as the file says; the group's record decides

    def __repr__(self) -> str:
        return f"Offered({self.agreement.name!r}, version {self.agreement.version})"


def agreement_text(agreement: Agreement, keys: GroupKeys, *, invitation: str = "", until: str = "") -> str:
    """The text of an agreement file."""
    beside = {"invitation": invitation, "until": until} if invitation else {}
    return json.dumps(_signed("agreement", agreement.to_dict(), keys) | beside, indent=1, sort_keys=True) + "\n"


def read_agreement(path: Path) -> Offered:
    """The agreement in a file; refused where the key named in it did not sign it as it is."""
    return offered_from(read_bytes(path, most=_MOST_AGREEMENT, what="the agreement"), where=path.name)


def offered_from(data: bytes, *, where: str) -> Offered:
    """The agreement in the bytes of a file; see :func:`read_agreement`."""
    whole = read_json(data, most=_MOST_AGREEMENT, what="the agreement")
    plain = _checked(whole, "agreement", where, beside={"invitation", "until"})
    invitation, until = whole.get("invitation", ""), whole.get("until", "")
    if invitation and not (isinstance(invitation, str) and _INVITATION.fullmatch(invitation)):
        raise _changed("agreement", where)
    if until and not (isinstance(until, str) and _DAY.fullmatch(until)):
        raise _changed("agreement", where)
    return Offered(agreement_from(plain), invitation, until)


def hash_of_invitation(group: str, invitation: str) -> str:
    """What the group keeps of an invitation."""
    return hashlib.sha256(f"menton invitation\x1f{group}\x1f{invitation}".encode()).hexdigest()


def result_text(result: GroupResult, keys: GroupKeys) -> str:
    """The text of a result file."""
    return json.dumps(_signed("result", result.to_dict(), keys), indent=1) + "\n"


def read_result(path: Path, *, coordinator: str) -> GroupResult:
    """A result; refused where this public key did not sign it as it is."""
    data = read_bytes(path, most=MOST_RESULT, what="the result")
    whole = read_json(data, most=MOST_RESULT, what="the result")
    return result_from(_checked(whole, "result", path.name, coordinator=coordinator))


def _signed(part: str, plain: Mapping[str, Any], keys: GroupKeys) -> dict[str, Any]:
    return {part: plain, "signature": keys.sign(_SIGNED[part][0] + canonical(plain)).hex()}


def _checked(
    whole: object, part: str, where: str, *, coordinator: str = "", beside: frozenset[str] | set[str] = frozenset()
) -> dict[str, Any]:
    """What is signed in a file, by ``coordinator`` or else by the key it names itself."""
    if isinstance(whole, dict) and {part, "signature"} <= set(whole) <= {part, "signature", *beside}:
        plain, signature = whole[part], whole["signature"]
        public = coordinator or (plain.get("coordinator") if isinstance(plain, dict) else None)
        if isinstance(public, str) and isinstance(signature, str) and _SIGNATURE.fullmatch(signature):
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
        found = f"{what} is longer than {most:,} bytes"
        raise GroupError(found, remedy="ask for the file again")
    try:
        if _depth(data) > _DEEPEST:
            raise RecursionError
        return json.loads(data.decode("ascii"), object_pairs_hook=_pairs, parse_float=_finite, parse_constant=_finite)
    except (ValueError, RecursionError) as error:
        found = f"{what} cannot be read"
        raise GroupError(found, expected="JSON as this program writes it", remedy="ask for the file again") from error


def _depth(data: bytes) -> int:
    """The deepest nesting of brackets, those inside texts counted too: never less than the true one."""
    deepest = depth = 0
    for byte in data:
        if byte in b"[{":
            depth += 1
            deepest = max(deepest, depth)
        elif byte in b"]}":
            depth -= 1
    return deepest


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
