"""A record whose lines are only ever added: each names the digest of all lines before it and of itself.

So a line changed, moved, put in or taken out shows. What does not show is whole lines taken off the end, or a record
written anew from some line on: whoever may write the file could do that, and only a copy kept elsewhere tells.

One write and one sync a line. A last line that was cut short by a crash was never added, and is taken off by the next.
Only its owner can read the file.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipelines.deidentify.key_file import check_private, write_private
from warehouse.errors import GroupError
from warehouse.pooled.agreement import canonical

_DIGITS = 32


@dataclass(frozen=True, slots=True)
class RecordChain:
    """A record in a file."""

    path: Path

    def read(self) -> tuple[dict[str, Any], ...]:
        """Every entry, oldest first; none where there is no file yet.

        Raises:
            GroupError: A line was changed, taken out or put in.
        """
        entries, _, _ = self._read()
        return tuple(entries)

    def add(self, entry: Mapping[str, Any]) -> None:
        """Add an entry.

        Raises:
            GroupError: The record was changed, or cannot be written.
        """
        _, digest, length = self._read()
        whole = {**entry, "after": digest}
        line = json.dumps({**whole, "sum": _sum(whole)}, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
        try:
            if not self.path.exists():
                write_private(self.path, "")
            handle = os.open(self.path, os.O_WRONLY | getattr(os, "O_BINARY", 0))
        except OSError as error:
            raise self._unwritable(error) from error
        try:
            os.ftruncate(handle, length)
            os.lseek(handle, 0, os.SEEK_END)
            os.write(handle, line.encode("ascii") + b"\n")
            os.fsync(handle)
        except OSError as error:
            raise self._unwritable(error) from error
        finally:
            os.close(handle)

    def _read(self) -> tuple[list[dict[str, Any]], str, int]:
        """Entries, the digest of all of them, and the length of the whole lines."""
        content = b""
        if self.path.exists():
            check_private(self.path)
            content = self.path.read_bytes()
        content = content[: content.rfind(b"\n") + 1]
        running = hashlib.sha256()
        entries: list[dict[str, Any]] = []
        for line in content.splitlines(keepends=True):
            entry = _entry(line)
            if entry is None or entry.pop("after") != running.hexdigest()[:_DIGITS]:
                found = f"the record was changed after line {len(entries)}"
                remedy = "put back a copy of it; nothing is added to a record that does not hold together"
                raise GroupError(found, where=self.path.name, expected="lines that were only added", remedy=remedy)
            entries.append(entry)
            running.update(line)
        return entries, running.hexdigest()[:_DIGITS], len(content)

    def _unwritable(self, error: OSError) -> GroupError:
        found = f"the record cannot be written: {error.strerror or type(error).__name__}"
        return GroupError(found, where=self.path.name, remedy="check the folder, your rights in it and the disk")


def _entry(line: bytes) -> dict[str, Any] | None:
    """The entry of a line with the digest it names; None where it is not as it was written."""
    try:
        found = json.loads(line)
    except ValueError:
        return None
    if not isinstance(found, dict) or "after" not in found or found.pop("sum", None) != _sum(found):
        return None
    return found


def _sum(entry: Mapping[str, Any]) -> str:
    return hashlib.sha256(canonical(entry)).hexdigest()[:_DIGITS]
