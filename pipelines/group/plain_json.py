"""Reading JSON that may come from anyone: bounded, no key twice, no number that is not one, no endless nesting."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from warehouse.errors import GroupError

DEEPEST = 24


def read_json(data: bytes, *, most: int, what: str) -> Any:  # noqa: ANN401 - whatever the text holds
    """The value of a JSON text.

    Args:
        data: The bytes.
        most: Most bytes allowed.
        what: What it is, for messages.

    Raises:
        GroupError: It is too long, or not JSON as this program writes it.
    """
    if len(data) > most:
        found = f"{what} is longer than {most:,} bytes"
        raise GroupError(found, remedy="ask for the file again")
    if _depth(data) > DEEPEST:
        raise _not_json(what)
    try:
        return json.loads(data.decode("ascii"), object_pairs_hook=_pairs, parse_constant=_refuse)
    except (ValueError, RecursionError) as error:
        raise _not_json(what) from error


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
        msg = "a key twice"
        raise ValueError(msg)
    return found


def _refuse(name: str) -> float:
    msg = f"{name} is no number"
    raise ValueError(msg)


def _not_json(what: str) -> GroupError:
    found = f"{what} cannot be read"
    return GroupError(found, expected="JSON as this program writes it", remedy="ask for the file again")
