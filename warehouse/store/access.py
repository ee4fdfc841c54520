"""The record of what was done with a warehouse: a line when a command begins and one when it ends, only ever added.

It lies beside the store, not in it, since a reader must neither wait for a load nor hold one up. Each line names the
sum of the line before it (see ``chain``). Lines taken off the end show too, as far back as the last publishing: the
store then noted how far the record had come. What does not show is a record and a store that were both written anew by
someone who may write both; only a copy kept elsewhere tells.

A line holds no personal data: the command and the names of its options, never their values, and not who sat at the
machine. Where several people share one, each may be given a short code of the practice's own choosing, stated by the
variable ``MENTON_RECORDED_AS``; it is written down as stated.
"""

from __future__ import annotations

import os
import re
import secrets
import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from warehouse.errors import RequestError
from warehouse.store.chain import content_of, opened, put_at_end, sealed, sum_of, whole_lines

FILE = "access.jsonl"
PERSON_VARIABLE = "MENTON_RECORDED_AS"
ANCHOR = "access record"
"""What an event of the store is called that notes how far the record had come."""

_SIGNS = ("store.duckdb", "current.json", FILE)
"""Files by which a folder is known for a warehouse; named here so that nothing heavy is imported before a command."""

_CODE = re.compile(r"[A-Za-z0-9_-]{1,24}")
_OPTION = re.compile(r"(--[a-z][a-z-]*)(=.*)?", re.DOTALL)
_TAIL = 65_536


@dataclass(frozen=True, slots=True)
class Mark:
    """How far the record has come: the number of its last line and that line's sum."""

    number: int
    sum: str

    def __str__(self) -> str:
        return f"{self.number} {self.sum}"


START = Mark(0, "")


@dataclass(frozen=True, slots=True, kw_only=True)
class AccessRecord:
    """The record as it stands."""

    # What it says, oldest first, up to the first line that is not as it was written
    entries: tuple[Mapping[str, Any], ...]
    fault: str  # What is wrong with it, in a sentence; empty where nothing is


def options_in(words: Sequence[str]) -> list[str]:
    """The names of the options among the words of a command, without their values."""
    found = [match[1] for word in words if (match := _OPTION.fullmatch(word))]
    return list(dict.fromkeys(found))


def recorded_as() -> str:
    """The code of the person at work, or nothing where none is stated.

    Raises:
        RequestError: What is stated is no short code.
    """
    stated = os.environ.get(PERSON_VARIABLE, "")
    if stated and not _CODE.fullmatch(stated):
        found = f"the variable {PERSON_VARIABLE} does not hold a short code"
        expected = "letters, digits, - and _, at most 24; a code of your own, such as desk-2, rather than a name"
        raise RequestError(found, expected=expected)
    return stated


def record_begin(folder: Path, what: str, options: Sequence[str] = ()) -> Mark | None:
    """Write down that something begins; None where there is no warehouse yet or its folder cannot be written to.

    Raises:
        RequestError: The stated code of the person is no short code.
    """
    return _add(folder, {"what": what, "options": list(options), "by": recorded_as()})


def record_end(folder: Path, begun: Mark | None, what: str, code: int) -> None:
    """Write down that something ended, and with which code: 0 well, 1 refused, else a fault or stopped."""
    _add(folder, {"what": what, "ended": code, "begun": begun.sum if begun else ""})


def read_access(folder: Path, marks: Sequence[str] = ()) -> AccessRecord:
    """The record of a warehouse, every line checked; it must still hold the lines of ``marks``, as noted elsewhere."""
    entries: list[Mapping[str, Any]] = []
    seen, last = {str(START)}, START
    for line in whole_lines(content_of(folder / FILE)).splitlines():
        entry, mark = _entry(line)
        if entry is None or mark is None or entry["after"] != last.sum or mark.number != last.number + 1:
            return AccessRecord(entries=tuple(entries), fault=f"the access record was changed after line {last.number}")
        entries.append(entry)
        last = mark
        seen.add(str(mark))
    lost = [mark for mark in marks if mark not in seen]
    fault = f"the access record has lost lines: it once had line {lost[-1].partition(' ')[0]}" if lost else ""
    return AccessRecord(entries=tuple(entries), fault=fault)


def mark_of(folder: Path) -> Mark | None:
    """How far the record has come; None where there is none or its last line cannot be read."""
    try:
        with (folder / FILE).open("rb") as stream:
            return _last(stream.fileno())[0]
    except OSError:
        return None


def _add(folder: Path, said: Mapping[str, Any]) -> Mark | None:
    """Add a line; a folder that cannot be written to is said on standard error and stops nobody from reading."""
    if not any((folder / sign).exists() for sign in _SIGNS):
        return None
    try:
        with _held(folder / FILE) as handle:
            return _written(handle, said)
    except OSError as error:
        reason = error.strerror or type(error).__name__
        print(f"menton: the access record of {folder.name} could not be written ({reason})", file=sys.stderr)
        return None


def _written(handle: int, said: Mapping[str, Any]) -> Mark:
    last, length = _last(handle)
    last = last or Mark(0, "unreadable")  # the next check says where the record broke; adding must not hide it
    at = datetime.now(UTC).replace(microsecond=0, tzinfo=None).isoformat() + "Z"
    first = {} if last.number else {"record": secrets.token_hex(8)}  # tells one record from any other
    whole = {"number": last.number + 1, "at": at, **first, **said, "after": last.sum}
    put_at_end(handle, sealed(whole), length=length)
    return Mark(last.number + 1, sum_of(whole))


def _last(handle: int) -> tuple[Mark | None, int]:
    """The mark of the last whole line (None: not as it was written), and the length of the whole lines."""
    size = os.lseek(handle, 0, os.SEEK_END)
    start = max(0, size - _TAIL)
    os.lseek(handle, start, os.SEEK_SET)
    tail = b""
    while piece := os.read(handle, _TAIL):
        tail += piece
    end = tail.rfind(b"\n") + 1
    if end == 0:
        return (START, 0) if start == 0 else (None, size)
    _, mark = _entry(tail[tail.rfind(b"\n", 0, end - 1) + 1 : end - 1])
    return mark, start + end


def _entry(line: bytes) -> tuple[dict[str, Any] | None, Mark | None]:
    """What a line says, and its mark; nothing where it is not as it was written."""
    entry = opened(line)
    number = entry.get("number") if entry else None
    return (entry, Mark(number, sum_of(entry))) if entry and isinstance(number, int) else (None, None)


@contextmanager
def _held(path: Path) -> Iterator[int]:
    """The record open for this process alone; others wait their turn, which takes no longer than writing a line."""
    handle = os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_BINARY", 0), 0o600)
    try:
        _wait_for_lock(handle)
        yield handle
    finally:
        os.close(handle)


if sys.platform == "win32":  # pragma: no cover - run on Windows only

    def _wait_for_lock(handle: int) -> None:
        import msvcrt

        os.lseek(handle, 2**40, os.SEEK_SET)  # far behind the last line: a lock there keeps nobody from reading
        msvcrt.locking(handle, msvcrt.LK_LOCK, 1)

else:

    def _wait_for_lock(handle: int) -> None:
        import fcntl

        fcntl.flock(handle, fcntl.LOCK_EX)
