"""The agreement as a file: signed by the coordinator, and, for a practice that joins, with an invitation in it.

An invitation is a random code. The group keeps only its hash and accepts it once. Handed out so that nobody knows who
got which, it lets a practice in without telling the coordinator which practice it is.
"""

from __future__ import annotations

import hashlib
import json
import re
import secrets
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipelines.group.keys import GroupKeys, is_signed
from pipelines.group.plain_json import read_json
from warehouse.errors import GroupError
from warehouse.pooled.agreement import Agreement, agreement_from
from warehouse.store.chain import canonical

MOST_BYTES = 1_000_000
_DOMAIN = b"menton agreement\x1f"
_CODE = re.compile(r"[0-9a-f]{32}")


@dataclass(frozen=True, slots=True)
class Offered:
    """An agreement as a practice got it; ``invitation`` is empty where the file holds none, and never shown."""

    agreement: Agreement
    invitation: str = ""

    def __repr__(self) -> str:
        return f"Offered({self.agreement.name!r}, version {self.agreement.version})"


def agreement_text(agreement: Agreement, keys: GroupKeys, *, invitation: str = "") -> str:
    """The text of an agreement file."""
    plain = agreement.to_dict()
    whole: dict[str, Any] = {"agreement": plain, "signature": keys.sign(_DOMAIN + canonical(plain)).hex()}
    if invitation:
        whole["invitation"] = invitation
    return json.dumps(whole, indent=1, sort_keys=True) + "\n"


def read_agreement(path: Path) -> Offered:
    """The agreement in a file, its signature checked against the coordinator's key named in it.

    Raises:
        GroupError: It cannot be read, was changed, or is no agreement.
    """
    try:
        with path.open("rb") as stream:
            data = stream.read(MOST_BYTES + 1)
    except OSError as error:
        found = f"the agreement cannot be read: {error.strerror or type(error).__name__}"
        raise GroupError(found, where=path.name, remedy="name the file the coordinator sent") from error
    return offered_from(data, where=path.name)


def offered_from(data: bytes, *, where: str) -> Offered:
    """The agreement in the bytes of a file; see :func:`read_agreement`."""
    whole = read_json(data, most=MOST_BYTES, what="the agreement")
    if not isinstance(whole, dict) or not {"agreement", "signature"} <= set(whole) <= _PARTS:
        raise _changed(where)
    agreement = agreement_from(whole["agreement"])
    signature, invitation = whole["signature"], whole.get("invitation", "")
    if not isinstance(signature, str) or not re.fullmatch(r"[0-9a-f]{128}", signature):
        raise _changed(where)
    if not is_signed(agreement.coordinator, bytes.fromhex(signature), _DOMAIN + canonical(whole["agreement"])):
        raise _changed(where)
    if invitation and not (isinstance(invitation, str) and _CODE.fullmatch(invitation)):
        raise _changed(where)
    return Offered(agreement, invitation)


_PARTS = {"agreement", "signature", "invitation"}


def new_invitation() -> str:
    """A fresh invitation: 128 random bits in hex."""
    return secrets.token_hex(16)


def hash_of_invitation(group: str, invitation: str) -> str:
    """What the group keeps of an invitation."""
    return hashlib.sha256(f"menton invitation\x1f{group}\x1f{invitation}".encode()).hexdigest()


def _changed(where: str) -> GroupError:
    found = "the agreement was changed, or is not one"
    return GroupError(found, where=where, expected="the file as the coordinator signed it", remedy="ask for it again")
