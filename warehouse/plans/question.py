"""What exactly was asked, in a form that can be told from every other question."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from warehouse.selection import Selection


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """One comparison of two groups."""

    outcome: str  # What is compared: a definition with its version (`D1 v1.0.0`), or `change of <measure>`
    by: str  # The grouping
    first: str  # Code of one group
    second: str  # Code of the other. Which of the two comes first makes no other question.
    selection: Selection  # Which cases
    adjust: tuple[str, ...] = ()  # Names of the variables adjusted for; their order makes no other question

    @property
    def pair(self) -> frozenset[str]:
        """The two groups."""
        return frozenset((self.first, self.second))

    @property
    def contrast(self) -> str:
        """Sixteen characters that stand for who is compared on what, whichever cases it is looked at in."""
        return _digest([self.outcome, self.by, sorted(self.pair)])

    @property
    def comparison(self) -> str:
        """Sixteen characters that stand for who is compared on what and among which cases, however it is analysed."""
        return _digest([self.contrast, self.selection.comparison, self.selection.selection, self._kept])

    @property
    def analysis(self) -> str:
        """Sixteen characters that stand for the comparison and what it is adjusted for."""
        return _digest([self.comparison, sorted(self.adjust)])

    @property
    def _kept(self) -> list[list[object]]:
        return [[name, sorted(kept)] for name, kept in sorted(self.selection.filters.items()) if kept]


def _digest(parts: list[object]) -> str:
    return hashlib.sha256(json.dumps(parts).encode()).hexdigest()[:16]
