"""The record of what was done with a warehouse: a line when a command begins and one when it ends, only ever added.

It lies beside the store, not in it, since a reader must neither wait for a load nor hold one up. Each line names the
sum of the line before it (see ``chain``), and how far the other records beside the store had come. Lines taken off the
end show too: a mark beside the record says how far it had come, and every command that opens the store to write notes
it there (``store.anchor``). What does not show is a record, its mark and a store that were all written anew by someone
who may write all three; only a copy kept elsewhere tells.

A line holds no personal data: the command and the names of its options, never their values, and a pseudonym of the
person: made of the name of the account or of the login with a random text of this warehouse. Where several people
share an account, each may be given a short code of the practice's own choosing, stated by the variable
``MENTON_RECORDED_AS``; it is written down as stated.
"""

import getpass
import hashlib
import hmac
import json
import os
import re
import secrets
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

from warehouse.errors import KeyProblemError, RequestError
from warehouse.store.chain import (
    KEY_FILE,
    content_of,
    held,
    is_readable,
    is_sealed,
    kept,
    lies_sealed,
    n_keys,
    opened,
    plain,
    put_at_end,
    rewritten,
    running,
    sealed,
    share_key,
    sum_of,
    whole_lines,
)

FILE = "access.jsonl"
PERSON_VARIABLE = "MENTON_RECORDED_AS"
ANCHOR = "access record"
"""What an event of the store is called that notes how far the record had come."""

MARK = "access.mark"  # how far the record had come and the random text that pseudonyms are made with: number, sum, text
LEFT = "documents.jsonl"  # the record of the documents that left (``warehouse/leaving``)

BESIDE = ("comparisons.jsonl", "contributions.jsonl", LEFT)
"""The other records whose lines are only ever added; named here, since whoever keeps them stands higher."""

KEPT_RESULTS = "group/*.json"
KEYLESS = "a command without the key"
"""What is recorded of somebody who names no key that opens the records."""

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

    @property
    def beside(self) -> dict[str, set[str]]:
        """Name of another record -> how far it once had come, as :func:`marks_beside` says it."""
        found: dict[str, set[str]] = {}
        for entry in self.entries:
            found.pop(entry.get("rewritten", ""), None)
            for name, mark in entry.get("beside", {}).items():
                found.setdefault(name, set()).add(mark)
        return found


def options_in(words: Sequence[str]) -> list[str]:
    """The names of the options among the words of a command, without their values."""
    found = [match[1] for word in words if (match := _OPTION.fullmatch(word))]
    return list(dict.fromkeys(found))


def recorded_as() -> str:
    """The code of the person at work, or nothing where none is stated; RequestError where it is no short code."""
    stated = os.environ.get(PERSON_VARIABLE, "")
    if stated and not _CODE.fullmatch(stated):
        found = f"the variable {PERSON_VARIABLE} does not hold a short code"
        expected = "letters, digits, - and _, at most 24; a code of your own, such as desk-2, rather than a name"
        raise RequestError(found, expected=expected)
    return stated


def pseudonym_of(folder: Path, person: str) -> str:
    """A person (the name of a login; nothing: of the account at this machine) as the records of a folder name them."""
    return _pseudonym(person, _marked(folder)[1])


def _pseudonym(person: str, text: str) -> str:
    name = person or _account()
    return f"person-{hmac.new(text.encode(), name.casefold().encode(), hashlib.sha256).hexdigest()[:10]}"


def _account() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):  # an account without a name
        return str(os.getuid()) if hasattr(os, "getuid") else ""


def record_begin(folder: Path, what: str, options: Sequence[str] = (), *, person: str = "") -> Mark | None:
    """Write down that something begins; None without a warehouse to write to. Raises as ``recorded_as`` does."""
    return _add(folder, {"what": what, "options": list(options), "by": recorded_as(), "person": person})


def record_step(folder: Path, what: str) -> None:
    """Write down that another record was added to, and with it how far that has come."""
    _add(folder, {"what": what})


def record_end(folder: Path, begun: Mark | None, what: str, code: int) -> None:
    """Write down that something ended, and with which code: 0 well, 1 refused, else a fault or stopped."""
    _add(folder, {"what": what, "ended": code, "begun": begun.sum if begun else ""})


def settle(folder: Path, key: str | None) -> None:
    """Have the records lie as their store does: sealed where it has a key, and by no other key than that."""
    if key is None:
        return
    if not lies_sealed(folder) or (is_readable(folder) and n_keys(folder) > 1):
        share_key(folder, [key])
    for name in _record_files(folder):
        path = folder / name
        if any(not is_sealed(line) for line in path.read_bytes().splitlines()):
            rewritten(path, partial(_sealed_now, path))


def unseal(folder: Path) -> None:
    """Lay the records down as they were written; the next command that opens an encrypted store seals them again."""
    if lies_sealed(folder) and is_readable(folder):
        for name in _record_files(folder):
            rewritten(folder / name, partial(plain, folder / name))
        (folder / KEY_FILE).unlink()


def plain_beside(folder: Path) -> list[str]:
    """Records with lines that lie plain beside an encrypted store."""
    lines = {name: (folder / name).read_bytes().splitlines(keepends=True) for name in _record_files(folder)}
    return [name for name, listed in lines.items() if not all(is_sealed(one) or _is_keyless(one) for one in listed)]


def marks_beside(folder: Path) -> dict[str, list[str]]:
    """Name of each other record -> the marks it passed: number of lines and digest of them, and how far it is last."""
    return {
        name: [f"{number} {digest}" for number, (_, digest) in enumerate(running(content_of(folder / name)))]
        if name in BESIDE
        else ["kept"]
        for name in _record_files(folder)
        if name != FILE
    }


def _record_files(folder: Path) -> list[str]:
    listed = [*(folder / name for name in (FILE, *BESIDE)), *sorted(folder.glob(KEPT_RESULTS))]
    return [path.relative_to(folder).as_posix() for path in listed if path.is_file()]


def _sealed_now(path: Path, line: bytes) -> bytes:
    return line if _is_keyless(line) or is_sealed(line) else as_kept(path, line)


def as_kept(path: Path, line: bytes) -> bytes:
    """A line of a record as it is kept beside its store."""
    return kept(path, line, shown=("number", "sum") if path.name == FILE else ())


def _is_keyless(line: bytes) -> bool:
    entry = opened(line)
    return entry is not None and entry.get("what") == KEYLESS


def record_rewritten(folder: Path, name: str) -> None:
    """Write down that another record was written anew, as a case in it was forgotten: its earlier lines are gone."""
    _add(folder, {"what": "record rewritten", "rewritten": name})


def read_access(folder: Path, marks: Sequence[str] = ()) -> AccessRecord:
    """The record of a warehouse, every line checked; it must still hold the lines of ``marks``, as noted elsewhere."""
    marks = [*marks, str(_marked(folder)[0])]
    entries: list[Mapping[str, Any]] = []
    seen, last = {str(START)}, START
    for line in whole_lines(content_of(folder / FILE)).splitlines():
        entry, mark = _entry(line)
        if entry is None or mark is None or entry["after"] != last.sum or mark.number != last.number + 1:
            is_cut = mark is not None and mark.number > last.number + 1
            lost = _fault_of("access record", [str(mark.number - 1)]) if mark is not None and is_cut else ""
            fault = lost or f"the access record was changed after line {last.number}"
            return AccessRecord(entries=tuple(entries), fault=fault)
        entries.append(entry)
        last = mark
        seen.add(str(mark))
    return AccessRecord(entries=tuple(entries), fault=_fault_of("access record", [m for m in marks if m not in seen]))


def faults_beside(folder: Path, record: AccessRecord) -> list[str]:
    """Sentences about the other records: missing ones, and those that lost or changed lines."""
    there = marks_beside(folder)
    found = []
    for name, once in sorted(record.beside.items()):
        lost = sorted(once - set(there.get(name, ())), key=lambda mark: mark.partition(" ")[0].zfill(9))
        if name not in there:
            found.append(f"the record {name} is missing: put it back from a backup")
        elif lost:
            found.append(f"{_fault_of(f'record {name}', lost)}, and does not any more as it was written")
    return found


def _fault_of(what: str, lost: Sequence[str]) -> str:
    return f"the {what} has lost lines: it once had line {lost[-1].partition(' ')[0]}" if lost else ""


def mark_of(folder: Path) -> Mark | None:
    """How far the record has come; None where there is none or its last line cannot be read."""
    try:
        with (folder / FILE).open("rb") as stream:
            return _last(stream.fileno(), folder)[0]
    except OSError:
        return None


def _add(folder: Path, said: Mapping[str, Any]) -> Mark | None:
    """Add a line; a folder that cannot be written to is said on standard error and stops nobody from reading."""
    if not any((folder / sign).exists() for sign in _SIGNS):
        return None
    try:
        with held(folder / FILE) as handle:
            return _written(handle, folder, said)
    except (OSError, KeyProblemError) as error:
        reason = (error.strerror if isinstance(error, OSError) else "") or type(error).__name__
        print(f"menton: the access record of {folder.name} could not be written ({reason})", file=sys.stderr)
        return None


def _written(handle: int, folder: Path, said: Mapping[str, Any]) -> Mark:
    last, length = _last(handle, folder)
    marked, text = _marked(folder)
    text = text or secrets.token_hex(16)
    if last is None or last.number < marked.number or (last.number == marked.number and last != marked):
        last = Mark(marked.number, "unreadable")  # adding must not hide where the record broke or was cut
    at = datetime.now(UTC).replace(microsecond=0, tzinfo=None).isoformat() + "Z"
    first = {} if last.number else {"record": secrets.token_hex(8)}  # tells one record from any other
    entry = _of_person(folder, said, text) if is_readable(folder) else {"what": KEYLESS}
    whole = {"number": last.number + 1, "at": at, **first, **entry, "salt": secrets.token_hex(8), "after": last.sum}
    line = sealed(whole) if entry["what"] == KEYLESS else as_kept(folder / FILE, sealed(whole))
    put_at_end(handle, line, length=length)
    mark = Mark(last.number + 1, sum_of(whole))
    (folder / MARK).write_text(f"{mark} {text}\n", encoding="ascii")
    return mark


def _of_person(folder: Path, said: Mapping[str, Any], text: str) -> dict[str, Any]:
    """An entry with a pseudonym in place of the person, and with how far the other records have come."""
    entry = dict(said)
    if "by" in entry:
        person = entry.pop("person")
        entry["by"] = entry["by"] or _pseudonym(person, text)
    last = {name: marks[-1] for name, marks in marks_beside(folder).items()}
    return {**entry, "beside": last} if last else entry


def _marked(folder: Path) -> tuple[Mark, str]:
    """How far the record had come by the mark beside it, and the random text of the mark."""
    try:
        number, digest, text = (folder / MARK).read_text(encoding="ascii").split()
        return Mark(int(number), digest), text
    except (OSError, ValueError):
        return START, ""


def _last(handle: int, folder: Path) -> tuple[Mark | None, int]:
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
    line = tail[tail.rfind(b"\n", 0, end - 1) + 1 : end - 1]
    return _entry(plain(folder / FILE, line))[1] or _shown(line), start + end


def _shown(line: bytes) -> Mark | None:
    """The mark of a sealed line, as it can be read without the key."""
    try:
        entry = json.loads(line) if is_sealed(line) else {}
        return Mark(int(entry["number"]), str(entry["sum"]))
    except (ValueError, KeyError, TypeError):
        return None


def _entry(line: bytes) -> tuple[dict[str, Any] | None, Mark | None]:
    """What a line says, and its mark; nothing where it is not as it was written."""
    entry = opened(line)
    number = entry.get("number") if entry else None
    return (entry, Mark(number, sum_of(entry))) if entry and isinstance(number, int) else (None, None)
