"""Records whose lines are only ever added: each line names what came before it, so that a change shows.

A line is JSON; ``after`` names the line or the lines before it, ``sum`` the digest of the rest of its own. A line
changed, moved, put in or taken out shows. What does not show is whole lines taken off the end, or a record written anew
from some line on: whoever may write the file could do that, and only a copy kept elsewhere tells.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

DIGITS = 32


def canonical(data: object) -> bytes:
    """Plain data as the one text that is signed and hashed."""
    return json.dumps(data, sort_keys=True, separators=(",", ":"), ensure_ascii=True, allow_nan=False).encode("ascii")


def sum_of(entry: Mapping[str, Any]) -> str:
    """The sum a line with this entry carries."""
    return hashlib.sha256(canonical(entry)).hexdigest()[:DIGITS]


def sealed(entry: Mapping[str, Any]) -> bytes:
    """The line of an entry, with its sum."""
    whole = {**entry, "sum": sum_of(entry)}
    return json.dumps(whole, ensure_ascii=True, allow_nan=False, separators=(",", ":")).encode("ascii") + b"\n"


def opened(line: bytes) -> dict[str, Any] | None:
    """The entry of a line, ``after`` with it; None where it is not as it was written."""
    try:
        entry = json.loads(line)
        return entry if entry.pop("sum") == sum_of(entry) and isinstance(entry["after"], str) else None
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return None


def content_of(path: Path) -> bytes:
    """The bytes of a record; none where there is no file or it cannot be read."""
    try:
        return path.read_bytes()
    except OSError:
        return b""


def whole_lines(content: bytes) -> bytes:
    """Without a last line that was cut short by a crash: it was never added."""
    return content[: content.rfind(b"\n") + 1]


def running(content: bytes, *, digits: int = DIGITS) -> Iterator[tuple[bytes, str]]:
    """Each line with the digest of all bytes before it; at the end no line with the digest of all."""
    digest = hashlib.sha256()
    for line in content.splitlines(keepends=True):
        yield line, digest.hexdigest()[:digits]
        digest.update(line)
    yield b"", digest.hexdigest()[:digits]


def put_at_end(handle: int, line: bytes, *, length: int) -> None:
    """Add a line behind the whole lines, ``length`` bytes, in one write and one sync."""
    os.ftruncate(handle, length)
    os.lseek(handle, 0, os.SEEK_END)
    os.write(handle, line)
    os.fsync(handle)
