"""A record as a file of its own (see ``warehouse.store.chain``): each line names the digest of all lines before it.

A record that was changed is refused as a whole. Only its owner can read the file.
"""

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from warehouse.errors import GroupError
from warehouse.private_files import check_private, write_private
from warehouse.store.chain import kept, opened, plain, put_at_end, running, sealed, whole_lines


@dataclass(frozen=True, slots=True)
class RecordChain:
    """A record in a file."""

    path: Path

    def read(self) -> tuple[dict[str, Any], ...]:
        """Every entry, oldest first; none without a file, GroupError where a line was changed, taken out or put in."""
        entries, _, _ = self._read()
        return tuple(entries)

    def add(self, entry: Mapping[str, Any]) -> None:
        """Add an entry; GroupError where the record was changed, or cannot be written."""
        _, digest, length = self._read()
        line = kept(self.path, sealed({**entry, "after": digest}))
        try:
            if not self.path.exists():
                write_private(self.path, "")
            handle = os.open(self.path, os.O_WRONLY | getattr(os, "O_BINARY", 0))
        except OSError as error:
            raise self._unwritable(error) from error
        try:
            put_at_end(handle, line, length=length)
        except OSError as error:
            raise self._unwritable(error) from error
        finally:
            os.close(handle)

    def _read(self) -> tuple[list[dict[str, Any]], str, int]:
        """Entries, the digest of all of them, and the length of the whole lines."""
        content = b""
        if self.path.exists():
            check_private(self.path)
            content = whole_lines(self.path.read_bytes())
        entries: list[dict[str, Any]] = []
        digest = ""
        for line, digest in running(plain(self.path, content)):
            entry = opened(line) if line else {"after": digest}
            if entry is None or entry.pop("after") != digest:
                found = f"the record was changed after line {len(entries)}"
                remedy = "put back a copy of it; nothing is added to a record that does not hold together"
                raise GroupError(found, where=self.path.name, expected="lines that were only added", remedy=remedy)
            entries += [entry] if line else []
        return entries, digest, len(content)

    def _unwritable(self, error: OSError) -> GroupError:
        found = f"the record cannot be written: {error.strerror or type(error).__name__}"
        return GroupError(found, where=self.path.name, remedy="check the folder, your rights in it and the disk")
