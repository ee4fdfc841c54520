"""What is wrong with a mapping file, told at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NoReturn

from warehouse.errors import MappingError

SHOWN = 40
"""Faults that are told one by one; a file with more of them is seldom a mapping."""

KEY_SHOWN = 120
"""Letters of a key that are shown."""


@dataclass(frozen=True, slots=True)
class MappingFault:
    """One thing that is wrong: its place in the file, what was found, what was expected, what to do."""

    key: str
    found: str
    expected: str
    remedy: str


class Faults:
    """Collects faults of one file.

    Args:
        origin: Name of the file.
    """

    def __init__(self, origin: str) -> None:
        self.origin = origin
        self._all: list[MappingFault] = []

    def add(self, key: str, found: str, *, expected: str = "", remedy: str = "") -> None:
        """Note a fault."""
        self._all.append(MappingFault(key, found, expected, remedy))

    def stop(self) -> NoReturn:
        """Raise what was noted: for a fault after which nothing further can be checked."""
        raise self._error()

    def raise_any(self) -> None:
        """Raise what was noted, if anything was.

        Raises:
            MappingError: One error for all faults.
        """
        if self._all:
            self.stop()

    def _error(self) -> MappingError:
        if len(self._all) == 1:
            fault = self._all[0]
            where = f"{self.origin}, {fault.key}" if fault.key else self.origin
            return MappingError(fault.found, where=where, expected=fault.expected, remedy=fault.remedy)
        shown = self._all[:SHOWN]
        lines = [f"  {fault.key[:KEY_SHOWN]}: {_line(fault)}" for fault in shown]
        lines += [f"  and {len(self._all) - SHOWN:,} more"] if len(self._all) > SHOWN else []
        found = "\n".join([f"{len(self._all)} things are wrong in the mapping file:", *lines])
        where = f"{self.origin}: {'; '.join(dict.fromkeys(fault.key[:KEY_SHOWN] for fault in shown))}"
        return MappingError(found, where=where, remedy="correct each of them and try again")


def _line(fault: MappingFault) -> str:
    parts = [fault.found, f"expected {fault.expected}" if fault.expected else "", fault.remedy]
    return "; ".join(part for part in parts if part)
