"""The bytes of one file, read once, hashed on the way, with a check that the file stood still."""

import hashlib
import os
import stat
from dataclasses import dataclass
from io import FileIO
from pathlib import Path

from pipelines.contract.delivery import FileSource
from pipelines.reading import limits
from pipelines.reading.kinds import OLD_CONTAINER, Kind, kind_of
from warehouse.errors import BadFileError

_MAX_BYTES = {
    "text": limits.MAX_TEXT_BYTES,
    "json": limits.MAX_JSON_BYTES,
    "workbook": limits.MAX_WORKBOOK_BYTES,
    "parquet": limits.MAX_PARQUET_BYTES,
}


@dataclass(frozen=True, slots=True)
class FileBytes:
    """A file in memory: its name without the folder, what kind it is by its first bytes, bytes and their hash."""

    name: str
    kind: Kind
    data: bytearray
    n_bytes: int
    sha256: str

    def source(self, sheet: str | None = None) -> FileSource:
        """What the tables of this file carry as their origin."""
        return FileSource(self.name, self.sha256, self.n_bytes, sheet)


def load_bytes(path: Path) -> FileBytes:
    """Read a file whole.

    The kind is found from the first bytes and the size limit of that kind applied before the rest is read; a text file
    with a line over the limit is left unread from there on. Raises BadFileError: the file is missing, empty, not a
    regular file, unreadable, of an unusable kind, too large, has a line over the limit, or changed while it was read.
    """
    try:
        return _load(path)
    except FileNotFoundError as error:
        found, expected = "there is no such file", "a path to a file"
        raise BadFileError(found, where=path.name, expected=expected, remedy="check the path") from error
    except OSError as error:
        found = f"the file could not be read: {error.strerror or type(error).__name__}"
        remedy = "check that you may read it and that no other program holds it, then try again"
        raise BadFileError(found, where=path.name, remedy=remedy) from error


def _load(path: Path) -> FileBytes:
    before = path.stat()
    _check_regular(before, path.name)
    with path.open("rb", buffering=0) as stream:
        data, kind = _read(stream, before.st_size, path.name)
    _check_unchanged(before, path, len(data))
    return FileBytes(path.name, kind, data, len(data), hashlib.sha256(data).hexdigest())


def _check_regular(status: os.stat_result, name: str) -> None:
    if stat.S_ISDIR(status.st_mode):
        found, remedy = "this is a folder, not a file", "name a file in it, or give the folder to menton ingest"
        raise BadFileError(found, where=name, remedy=remedy)
    if not stat.S_ISREG(status.st_mode):
        remedy = "write what comes through it into a file first, and give that"
        raise BadFileError("this is not a regular file", where=name, expected="a file on a disk", remedy=remedy)
    if status.st_size == 0:
        remedy = "export it again; an empty file holds no table"
        raise BadFileError("the file is empty (0 bytes)", where=name, expected="a header and rows", remedy=remedy)


def _read(stream: FileIO, size: int, name: str) -> tuple[bytearray, Kind]:
    head = bytearray(min(size, limits.HEAD_BYTES))
    del head[_fill(stream, memoryview(head)) :]
    kind = kind_of(head + _old_directory(stream, head), name)
    _check_size(size, kind, name)
    lines = _LineWatch(name) if kind == "text" else None
    if lines:
        lines.see(head)
    data = bytearray(size)  # the system hands out these pages only when they are written
    data[: len(head)] = head
    at = len(head)
    view = memoryview(data)
    while at < size:
        got = _fill(stream, view[at : at + _BLOCK])
        if got == 0:
            break
        if lines:
            lines.see(data[at : at + got])
        at += got
    view.release()
    del data[at:]
    return data, kind


def _old_directory(stream: FileIO, head: bytearray) -> bytes:
    """Names of the streams of an old office container, which may stand anywhere in the file; else nothing."""
    if not head.startswith(OLD_CONTAINER) or len(head) < 512:
        return b""
    sector_bits = 12 if head[30] == 12 else 9
    stream.seek((int.from_bytes(head[48:52], "little") + 1) << sector_bits)
    return stream.read(4096)


_BLOCK = limits.MAX_LINE_BYTES // 2


def _fill(stream: FileIO, target: memoryview) -> int:
    """Fill ``target`` as far as the file goes; the number of bytes got."""
    at = 0
    while at < len(target):
        got = stream.readinto(target[at:])
        if not got:
            break
        at += got
    return at


def _check_size(size: int, kind: Kind, name: str) -> None:
    limit = _MAX_BYTES[kind]
    if size > limit:
        found = f"the file is {size / 1e9:.1f} GB"
        expected = f"at most {limit / 1e9:.1f} GB in one {kind} file"
        raise BadFileError(found, where=name, expected=expected, remedy="split it, or deliver it as Parquet")


class _LineWatch:
    """Counts the bytes since the last line end over successive blocks.

    A block is never larger than the limit, so a line inside one block needs no count.
    """

    def __init__(self, name: str) -> None:
        self.name = name
        self.open = 0

    def see(self, block: bytes | bytearray) -> None:
        """Take the next block; raise when a line has grown over the limit."""
        first = _first_end(block)
        if first < 0:
            self.open += len(block)
            self._check(self.open)
            return
        self._check(self.open + first)
        self.open = len(block) - 1 - max(block.rfind(b"\n"), block.rfind(b"\r"))

    def _check(self, length: int) -> None:
        if length >= limits.MAX_LINE_BYTES:
            found = f"one line is longer than {limits.MAX_LINE_BYTES:,} bytes; reading stopped there"
            remedy = "export the table again as CSV with one row a line"
            raise BadFileError(found, where=self.name, expected="a table with one row a line", remedy=remedy)


def _first_end(block: bytes | bytearray) -> int:
    ends = [at for at in (block.find(b"\n"), block.find(b"\r")) if at >= 0]
    return min(ends) if ends else -1


def _check_unchanged(before: os.stat_result, path: Path, n_read: int) -> None:
    after = path.stat()
    same = (before.st_size, before.st_mtime_ns, before.st_ino) == (after.st_size, after.st_mtime_ns, after.st_ino)
    if not same or n_read != before.st_size:
        found = "the file changed while it was being read"
        remedy = "wait until it is written completely, then try again"
        raise BadFileError(found, where=path.name, expected="a file that stands still", remedy=remedy)
