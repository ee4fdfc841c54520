"""The record of what was looked at: which comparisons, when, on which build.

It lies beside the store as a file of lines that are only ever added, not inside it: whoever compares is a reader, and
a reader must neither wait for a load that holds the store nor hold up one. Several readers may add at once: each
waits while another one writes its line. Each line names the digest of the file before it; a line
changed or taken out shows. The lines hold digests of the questions, never the values a person filtered by.
"""

import json
import os
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from warehouse.errors import KeyProblemError
from warehouse.plans.question import Question
from warehouse.store.access import record_step
from warehouse.store.chain import content_of, held, kept, put_at_end, running
from warehouse.store.storage import utc_now

FILE = "comparisons.jsonl"
DIGITS = 16


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """One look: a time, a build, and what it showed, as digests of the questions (see ``Question``)."""

    at: str
    build: str
    outcome: str
    by: str
    contrasts: tuple[str, ...]
    comparisons: tuple[str, ...]
    analyses: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class LookRecord:
    """The looks so far."""

    looks: tuple[Look, ...]  # In the order made
    digest: str  # Digest of the file as it stands
    is_whole: bool  # Whether no line was changed or taken out, as far as the digests tell
    is_kept: bool = True  # Whether the last look could be written down

    @property
    def n_comparisons(self) -> int:
        """Different comparisons made so far: who was compared with whom, on what, among which cases."""
        return len({key for look in self.looks for key in look.comparisons})

    @property
    def n_analyses(self) -> int:
        """The same, counted anew for every other adjustment."""
        return len({key for look in self.looks for key in look.analyses})

    def had_seen(self, contrast: str, *, within: int) -> bool:
        """Whether the first ``within`` looks showed a contrast, among whichever cases."""
        return any(contrast in look.contrasts for look in self.looks[:within])


def read_looks(folder: Path, *, marks: Iterable[str] = ()) -> LookRecord:
    """The record kept in a warehouse folder.

    ``folder``: the warehouse folder. ``marks``: digests the file had at times noted elsewhere (in plans); it must still
    begin with what they stand for.
    """
    seen: set[str] = set()
    looks, is_whole, digest = [], True, ""
    for line, digest in running(content_of(folder / FILE), digits=DIGITS):
        seen.add(digest)
        look, after = _look(line)
        is_whole = is_whole and (not line or (look is not None and after in seen))
        if look is not None:
            looks.append(look)
    return LookRecord(looks=tuple(looks), digest=digest, is_whole=is_whole and set(marks) <= seen)


def record_look(folder: Path, *, build: str, questions: Sequence[Question], marks: Iterable[str] = ()) -> LookRecord:
    """Add a look and give the record with it; what was already looked at on this build is not written twice.

    A folder that cannot be written to is no error: the record then says that it was not kept.
    """
    present = read_looks(folder, marks=marks)
    if not questions:
        return present
    look = Look(
        at=utc_now().isoformat() + "Z",
        build=build,
        outcome=questions[0].outcome,
        by=questions[0].by,
        contrasts=tuple(question.contrast for question in questions),
        comparisons=tuple(question.comparison for question in questions),
        analyses=tuple(question.analysis for question in questions),
    )
    done = {key for earlier in present.looks if earlier.build == build for key in earlier.analyses}
    if set(look.analyses) <= done:
        return present
    if _append(folder / FILE, look, present.digest):
        record_step(folder, "comparison looked at")
        return read_looks(folder, marks=marks)
    return replace(present, looks=(*present.looks, look), is_kept=False)


def _append(path: Path, look: Look, after: str) -> bool:
    line = (json.dumps({**asdict(look), "after": after}) + "\n").encode()
    try:
        with held(path) as handle:
            put_at_end(handle, kept(path, line), length=os.lseek(handle, 0, os.SEEK_END))
    except (OSError, KeyProblemError):
        return False
    return True


def _look(line: bytes) -> tuple[Look | None, str]:
    """The look of a line and the digest it names; no look where the line is not one."""
    try:
        plain: dict[str, Any] = json.loads(line)
        after = str(plain.pop("after"))
        fields: dict[str, Any] = {key: tuple(v) if isinstance(v, list) else v for key, v in plain.items()}
        look = Look(**fields)
    except (ValueError, KeyError, TypeError, AttributeError):
        return None, ""
    return look, after
