"""The gate: whatever leaves the program as a file or a download passes ``let_out``, which knows who will read it.

The practice reads its own cases whole, and nothing of that is written down. What others read was protected against
everything that left before (:mod:`warehouse.leaving.record`) and is written down before it is handed over: what cannot
be written down does not leave. What is about no case (a template, an agreement) is open to all.
"""

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, TypeAlias

from warehouse.errors import RequestError
from warehouse.private_files import write_whole

ReadBy: TypeAlias = Literal["the practice", "who saw it", "others", "anyone"]


@dataclass(frozen=True, slots=True)
class Leave:
    """Why something may leave: who will read it, and where these are others how it is written down."""

    read_by: ReadBy
    note: Callable[[str], None] | None = None  # Takes the digest of the bytes

    def __post_init__(self) -> None:
        if (self.read_by == "others") != (self.note is not None):
            raise ValueError("what others read has to be written down, and nothing else")


TO_ITSELF = Leave("the practice")
"""The practice keeps its own cases; what is whole says of itself that it must not be handed on."""
AS_SEEN = Leave("who saw it")  # figures a viewer was shown already: they were written down when they were shown
NO_CASE = Leave("anyone")  # it is about no case


def let_out(data: bytes | str, leave: Leave, *, to: Path | None = None, what: str = "file") -> bytes:
    """Hand something over: written to a file, whole or not at all, or given back for a page to offer.

    Raises RequestError: it cannot be written. BusyError: something else left since it was made.
    """
    whole = data.encode() if isinstance(data, str) else data
    if to is not None and not to.parent.is_dir():  # asked first, so that nothing is noted of what cannot be written
        raise _unwritten(to, what)
    if leave.note is not None:
        leave.note(hashlib.sha256(whole).hexdigest())
    if to is not None:
        try:
            write_whole(to, whole)
        except OSError as error:
            raise _unwritten(to, what) from error
    return whole


def _unwritten(to: Path, what: str) -> RequestError:
    expected, remedy = "a folder that is there, and a disk with room", "name a folder you may write to"
    return RequestError(f"the {what} cannot be written", where=to.name, expected=expected, remedy=remedy)
