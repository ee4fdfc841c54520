"""Results as the coordinator signs them, and as a practice reads and keeps them."""

from __future__ import annotations

import json
import re
from pathlib import Path

from pipelines.group.keys import GroupKeys, is_signed
from pipelines.group.plain_json import read_json
from warehouse.errors import GroupError
from warehouse.pooled.result import GroupResult, result_from
from warehouse.store.chain import canonical

MOST_BYTES = 20 * 2**20
_DOMAIN = b"menton group result\x1f"


def result_text(result: GroupResult, keys: GroupKeys) -> str:
    """The text of a result file."""
    plain = result.to_dict()
    return json.dumps({"result": plain, "signature": keys.sign(_DOMAIN + canonical(plain)).hex()}, indent=1) + "\n"


def read_result(path: Path, *, coordinator: str) -> GroupResult:
    """A result, its signature checked.

    Args:
        path: The file.
        coordinator: The public key it must be signed with.

    Raises:
        GroupError: It cannot be read, was changed, or comes from someone else.
    """
    try:
        with path.open("rb") as stream:
            data = stream.read(MOST_BYTES + 1)
    except OSError as error:
        found = f"the result cannot be read: {error.strerror or type(error).__name__}"
        raise GroupError(found, where=path.name, remedy="name the file the coordinator sent") from error
    whole = read_json(data, most=MOST_BYTES, what="the result")
    if not isinstance(whole, dict) or set(whole) != {"result", "signature"}:
        raise _changed(path)
    signature = whole["signature"]
    if not isinstance(signature, str) or not re.fullmatch(r"[0-9a-f]{128}", signature):
        raise _changed(path)
    if not is_signed(coordinator, bytes.fromhex(signature), _DOMAIN + canonical(whole["result"])):
        raise _changed(path)
    return result_from(whole["result"])


def _changed(path: Path) -> GroupError:
    found = "the result was changed, or comes from another coordinator"
    return GroupError(
        found, where=path.name, expected="the file as the coordinator signed it", remedy="ask for it again"
    )
