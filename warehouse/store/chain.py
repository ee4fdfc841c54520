"""Records whose lines are only ever added: each line names what came before it, so that a change shows.

A line is JSON; ``after`` names the line or the lines before it, ``sum`` the digest of the rest of its own. A line
changed, moved, put in or taken out shows. What does not show is whole lines taken off the end, or a record written anew
from some line on: whoever may write the file could do that, and only a mark of it kept elsewhere tells.

Beside an encrypted store lines are sealed (AES-256-GCM, NIST SP 800-38D) under a key of their own, which lies beside
them wrapped under the store's, so that another key of the store rewrites no line. Sums and digests are of lines as
written before sealing. Plain lines among sealed ones are read, and sealed by the next command that opens the store.
"""

from __future__ import annotations

import base64
import hashlib
import json
import os
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from warehouse.errors import KeyProblemError
from warehouse.private_files import write_whole

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.ciphers.aead import AESGCM

DIGITS = 32
KEY_FILE = "records-key.json"
"""Beside an encrypted store: the key of its records, wrapped under the key of the store."""

_SEALED = "sealed"
_NONCE = 12
_keys: dict[Path, str | None] = {}
"""Folder of a warehouse -> the key its store was opened with in this process; None: it is plain."""


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
    """A record as it was written, before sealing; nothing where there is no file or it cannot be read."""
    try:
        return plain(path, path.read_bytes())
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


def keep_key(folder: Path, key: str | None) -> None:
    """Tell which key the store of a folder has, for the records beside it and the rest of this process."""
    _keys[folder.resolve()] = key


def lies_sealed(folder: Path) -> bool:
    """Whether the records of a folder are sealed."""
    return (folder / KEY_FILE).exists()


def is_readable(folder: Path) -> bool:
    """Whether the records of a folder can be read and added to: they are plain, or the key opens them."""
    return not lies_sealed(folder) or _cipher_of(folder) is not None


def kept(path: Path, line: bytes, *, shown: Sequence[str] = ()) -> bytes:
    """A line, or a whole small file, as it is kept, ``shown`` readable; KeyProblemError where its key is not known."""
    folder = _folder_of(path)
    if not lies_sealed(folder):
        return line
    cipher = _cipher_of(folder)
    if cipher is None:
        found = "the warehouse is encrypted, and the key given does not open its records"
        raise KeyProblemError(found, where=path.name, remedy="name the right key file with --encryption-key-file")
    nonce = os.urandom(_NONCE)
    entry = json.loads(line) if shown else {}
    text = base64.b64encode(nonce + cipher.encrypt(nonce, line, path.name.encode())).decode()
    return canonical({_SEALED: text, **{name: entry[name] for name in shown}}) + b"\n"


def plain(path: Path, content: bytes) -> bytes:
    """Lines as they were written; one that the key does not open stays as it is kept."""
    cipher = _cipher_of(_folder_of(path)) if _SEALED.encode() in content else None
    if cipher is None:
        return content
    return b"".join(_unsealed(cipher, path.name, line) for line in content.splitlines(keepends=True))


def _unsealed(cipher: AESGCM, name: str, line: bytes) -> bytes:
    from cryptography.exceptions import InvalidTag

    with suppress(ValueError, KeyError, TypeError, AttributeError, RecursionError, InvalidTag):
        shown = json.loads(line)
        data = base64.b64decode(shown.pop(_SEALED), validate=True)
        found = cipher.decrypt(data[:_NONCE], data[_NONCE:], name.encode())
        if not shown or shown.items() <= json.loads(found).items():
            return found
    return line


def is_sealed(line: bytes) -> bool:
    """Whether a line is a sealed one."""
    return line.startswith(b'{"') and f'"{_SEALED}":'.encode() in line


def rewritten(path: Path, line_of: Callable[[bytes], bytes]) -> None:
    """Write a record anew, line by line, in one step that survives a crash; who adds meanwhile waits."""
    with held(path) as handle:
        content = whole_lines(_all_of(handle))
        lines = content.splitlines(keepends=True) if path.suffix == ".jsonl" else [content]
        anew = b"".join(map(line_of, lines))
        if os.name != "nt":
            write_whole(path, anew)
    if os.name == "nt":  # Windows renames nothing onto an open file
        write_whole(path, anew)


def share_key(folder: Path, keys: Sequence[str]) -> None:
    """Let each of these keys of the store open the records, and no other; where none is sealed yet, from now on."""
    known = _unwrapped(_wrapped(folder), _keys.get(folder.resolve())) if lies_sealed(folder) else os.urandom(32)
    if known is None:
        return  # under another key: said by whoever reads them
    wrapped = []
    for key in keys:
        nonce = os.urandom(_NONCE)
        wrapped.append(base64.b64encode(nonce + _aes(_of_store(key)).encrypt(nonce, known, None)).decode())
    write_whole(folder / KEY_FILE, json.dumps({"wrapped": wrapped}).encode() + b"\n")


def n_keys(folder: Path) -> int:
    """How many keys open the records."""
    return len(_wrapped(folder))


def _folder_of(path: Path) -> Path:
    """The folder of the store a record lies beside, be it in a folder of its own there."""
    return next((one for one in (path.parent, path.parent.parent) if one.resolve() in _keys), path.parent)


def _cipher_of(folder: Path) -> AESGCM | None:
    known = _unwrapped(_wrapped(folder), _keys.get(folder.resolve()))
    return None if known is None else _aes(known)


def _wrapped(folder: Path) -> tuple[str, ...]:
    try:
        return tuple(map(str, json.loads((folder / KEY_FILE).read_bytes())["wrapped"]))
    except (OSError, ValueError, KeyError, TypeError):
        return ()


@lru_cache(maxsize=16)
def _unwrapped(wrapped: tuple[str, ...], key: str | None) -> bytes | None:
    if key is None or not wrapped:
        return None
    from cryptography.exceptions import InvalidTag

    for text in wrapped:
        with suppress(ValueError, InvalidTag):
            data = base64.b64decode(text, validate=True)
            return _aes(_of_store(key)).decrypt(data[:_NONCE], data[_NONCE:], None)
    return None


def _of_store(key: str) -> bytes:
    """A key of 256 bits made of the store's (HKDF, RFC 5869); no salt, since the key is long and random itself."""
    from cryptography.hazmat.primitives.hashes import SHA256
    from cryptography.hazmat.primitives.kdf.hkdf import HKDF

    return HKDF(SHA256(), 32, salt=None, info=b"menton records").derive(key.encode())


def _aes(key: bytes) -> AESGCM:
    from cryptography.hazmat.primitives.ciphers.aead import AESGCM

    return AESGCM(key)


def _all_of(handle: int) -> bytes:
    os.lseek(handle, 0, os.SEEK_SET)
    content = b""
    while piece := os.read(handle, 1 << 20):
        content += piece
    return content


@contextmanager
def held(path: Path) -> Iterator[int]:
    """A record open for this process alone; others wait their turn, which takes no longer than writing a line."""
    while True:
        handle = os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_BINARY", 0), 0o600)
        try:
            _wait_for_lock(handle)
            if sys.platform != "win32" and not _is_at(handle, path):
                continue  # it was written anew while this process waited
            yield handle
            return
        finally:
            os.close(handle)


def _is_at(handle: int, path: Path) -> bool:
    try:
        return os.path.samestat(os.fstat(handle), path.stat())
    except OSError:
        return False


if sys.platform == "win32":  # pragma: no cover - run on Windows only

    def _wait_for_lock(handle: int) -> None:
        import msvcrt

        os.lseek(handle, 2**40, os.SEEK_SET)  # far behind the last line: a lock there keeps nobody from reading
        msvcrt.locking(handle, msvcrt.LK_LOCK, 1)

else:

    def _wait_for_lock(handle: int) -> None:
        import fcntl

        fcntl.flock(handle, fcntl.LOCK_EX)
