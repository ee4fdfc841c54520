"""Errors written for the person who has to act on them.

Every error says what was found, where, what was expected and what to do. No error text holds a value that
could identify a person: callers pass values through a redaction first.
"""

from collections.abc import Iterable
from difflib import get_close_matches
from functools import partial
from typing import Any


class MentonError(Exception):
    """A problem a person can act on.

    ``found``: what was found, in one sentence. ``where``: the place: file, row, column, definition or setting.
    ``expected``: what would have been right. ``remedy``: what to do now.
    """

    def __init__(self, found: str, *, where: str = "", expected: str = "", remedy: str = "") -> None:
        self.found = found
        self.where = where
        self.expected = expected
        self.remedy = remedy
        super().__init__(self.sentence())

    def __reduce__(self) -> tuple[Any, ...]:
        """The same in another process, part by part."""
        return partial(type(self), where=self.where, expected=self.expected, remedy=self.remedy), (self.found,)

    def sentence(self) -> str:
        """The whole message, one part a line, empty parts left out."""
        parts = [
            self.found,
            f"  where: {self.where}" if self.where else "",
            f"  expected: {self.expected}" if self.expected else "",
            f"  what to do: {self.remedy}" if self.remedy else "",
        ]
        return "\n".join(part for part in parts if part)


class BadFileError(MentonError):
    """A file that cannot be used as a whole: nothing of it was kept."""


class MappingError(MentonError):
    """A mapping file that is wrong, or a file column the mapping does not cover."""


class BrokenRuleError(MentonError):
    """A validation rule that could not be evaluated: a fault of the rule, not of the data."""


class DefinitionError(MentonError):
    """An outcome definition, measure, growth reference or plan that is not well formed."""


class WarehouseError(MentonError):
    """A warehouse that is missing, busy, damaged or of another version."""


class BusyError(WarehouseError):
    """A warehouse that another program is writing to."""


class KeyProblemError(MentonError):
    """A key that is missing, wrong or readable by others."""


class GroupError(MentonError):
    """A study-group file or agreement that was refused."""


class EngineError(MentonError):
    """Another machine, or the program that speaks to it, that is missing, cannot be reached or failed."""


class RequestError(MentonError):
    """A request that names something that does not exist or does not fit."""


CONFIRMED = "--yes"  # the option by which a person confirms beforehand what a command would ask


class UnconfirmedError(MentonError):
    """Something that a person must confirm, and nobody has: nothing was changed."""

    def __init__(self, found: str, *, remedy: str = "", where: str = "") -> None:
        remedy = (
            f"{remedy}; or, if it is meant so, run the command again with {CONFIRMED}"
            if remedy
            else (f"nothing was changed; to go on, run the command again with {CONFIRMED}")
        )
        super().__init__(found, where=where, remedy=remedy)


def near_names(name: str, known: Iterable[str]) -> str:
    """A phrase offering up to three known names close to ``name``, or the empty string."""
    close = get_close_matches(name, list(known), n=3, cutoff=0.6)
    return f"did you mean {' or '.join(close)}?" if close else ""
