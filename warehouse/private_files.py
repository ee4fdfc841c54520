"""The one rule for every secret file (keys, logins, access): only its owner can read it, on POSIX and on Windows."""

import getpass
import os
import secrets
import stat
import subprocess
import time
from pathlib import Path

from warehouse.errors import KeyProblemError

MAX_BYTES = 4096
_OTHERS_ON_WINDOWS = ("*S-1-1-0", "*S-1-5-11", "*S-1-5-32-545", "*S-1-5-32-546", "*S-1-5-7")
"""Security identifiers of everyone, signed-in users, users, guests and anonymous: the same in every language."""


def beside(folder: Path, ending: str) -> Path:
    """What belongs to a folder and must not lie in it: its ``key``, or the ``mappings`` of a warehouse."""
    return folder.with_name(f"{folder.name}.{ending}")


def on_windows() -> bool:
    """Whether file permissions are those of Windows."""
    return os.name == "nt"


def sync_folder(folder: Path) -> None:
    """Force a folder's entries to the disk, where the system can."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:
        return  # Windows does not open folders; its rename is durable enough for a pointer
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def write_private(path: Path, text: str) -> bool:
    """Create a file that only its owner can read, whole or not at all; False where the file is already there.

    Raises KeyProblemError: it cannot be created.
    """
    if os.path.lexists(path):
        return False
    draft = path.with_name(f"{path.name}.{secrets.token_hex(4)}.draft")
    try:
        _write(draft, text)
        return _give_name(draft, path, text)
    except FileExistsError:
        return False
    except OSError as error:
        raise _unusable(path, "created", error) from error
    finally:
        draft.unlink(missing_ok=True)


def _write(path: Path, text: str) -> None:
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0)
    handle = os.open(path, flags, 0o600)
    try:
        if on_windows():
            _own_on_windows(path)
        os.write(handle, text.encode("utf-8"))
        os.fsync(handle)
    except (OSError, KeyProblemError):
        os.close(handle)
        path.unlink(missing_ok=True)  # nothing half made stays behind
        raise
    os.close(handle)


def write_whole(path: Path, data: bytes) -> None:
    """Write a file, in the place of an earlier one, so that it is there whole or not at all, for its owner alone."""
    draft = path.with_name(path.name + ".draft")
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    draft.unlink(missing_ok=True)
    try:
        handle = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o600)
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        draft.replace(path)
    except OSError:
        draft.unlink(missing_ok=True)  # on a full disk it would only make it fuller
        raise
    sync_folder(path.parent)


def _give_name(draft: Path, path: Path, text: str) -> bool:
    """Give a written file its name in one step that fails where the name is taken: of two keys the first one stays."""
    if os.name == "nt":
        draft.rename(path)  # fails there where the name is taken
        return True
    try:
        os.link(draft, path)
    except FileExistsError:
        raise
    except OSError:  # a disk without links, such as a memory stick: the name first, then the text
        _write(path, text)
    sync_folder(path.parent)
    return True


def read_key_text(path: Path) -> str:
    """The text of a small file; one that another process has just created is waited for.

    Raises KeyProblemError: it cannot be read.
    """
    try:
        for _ in range(20):
            with path.open("rb") as stream:
                data = stream.read(MAX_BYTES)
            if data:
                break
            time.sleep(0.05)
    except OSError as error:
        raise _unusable(path, "read", error) from error
    return data.decode("ascii", errors="replace")


def is_open_to_others(folder: Path) -> bool:
    """Whether people beside the owner can read or enter a folder; on Windows that is said by the folder above it."""
    return not on_windows() and bool(folder.stat().st_mode & (stat.S_IRWXG | stat.S_IRWXO))


def check_private(path: Path, *, what: str = "the key file") -> None:
    """Refuse a secret file (``what`` it is, for the words) that others can read.

    Raises KeyProblemError: others can read it, or its permissions cannot be told.
    """
    try:
        status = path.lstat()
    except OSError as error:
        raise _unusable(path, "read", error, what) from error
    if not stat.S_ISREG(status.st_mode):
        found = f"{what} is not a regular file"
        raise KeyProblemError(found, where=path.name, expected="a file of its own, no link and no folder")
    if on_windows():
        _check_on_windows(path, what)
    elif status.st_mode & (stat.S_IRWXG | stat.S_IRWXO):
        raise _open_to_others(path, f"chmod 600 {path.name}", what)


def _open_to_others(path: Path, command: str, what: str) -> KeyProblemError:
    found = f"{what} can be read or changed by others"
    remedy = f"if nobody has copied it, close it with: {command}"
    return KeyProblemError(found, where=path.name, expected="a file that only its owner can read", remedy=remedy)


def _unusable(path: Path, done: str, error: OSError, what: str = "the key file") -> KeyProblemError:
    found = f"{what} cannot be {done}: {error.strerror or type(error).__name__}"
    return KeyProblemError(found, where=path.name, remedy="check the folder and your rights in it")


def _icacls(*arguments: str) -> str:
    """Run the permission tool that every Windows has; its output.

    Raises OSError: it is not there; subprocess.CalledProcessError: it failed.
    """
    tool = os.path.join(os.environ.get("SYSTEMROOT", r"C:\Windows"), "System32", "icacls.exe")  # noqa: PTH118
    return subprocess.run([tool, *arguments], check=True, capture_output=True, text=True, timeout=30).stdout


def _own_on_windows(path: Path) -> None:
    try:
        _icacls(str(path), "/inheritance:r", "/grant:r", f"{getpass.getuser()}:F")
    except (OSError, subprocess.SubprocessError) as error:
        found = f"the key file could not be closed to others: {type(error).__name__}"
        raise KeyProblemError(
            found, where=path.name, remedy="keep the key in a folder of your own on an NTFS disk"
        ) from error


def _check_on_windows(path: Path, what: str) -> None:
    try:
        open_to = [group for group in _OTHERS_ON_WINDOWS if path.name in _icacls(str(path), "/findsid", group)]
    except (OSError, subprocess.SubprocessError) as error:
        found = f"who can read {what} could not be told: {type(error).__name__}"
        raise KeyProblemError(
            found, where=path.name, remedy="keep the key in a folder of your own on an NTFS disk"
        ) from error
    if open_to:
        raise _open_to_others(path, f'icacls {path.name} /inheritance:r /grant:r "%USERNAME%:F"', what)
