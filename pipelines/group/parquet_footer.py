"""Which compression a Parquet file states for its columns, read from its own description without any library.

Arrow ends the whole process where it is asked for a compression it does not know, so a file from someone else is
looked at here first. The description ("footer") is a Thrift structure in the compact protocol (the specifications of
Parquet and of Thrift, from memory; the tests hold this against files that Arrow writes). Only the few kinds of values
that occur in a footer are known; anything else is refused.
"""

from __future__ import annotations

from typing import Any

MAGIC = b"PAR1"
UNCOMPRESSED = 0
_ROW_GROUPS, _COLUMNS, _ABOUT_COLUMN, _CODEC = 4, 1, 3, 4
_STOP, _TRUE, _FALSE, _BYTE, _DOUBLE, _BINARY, _LIST, _SET, _STRUCT = 0, 1, 2, 3, 7, 8, 9, 10, 12
_WHOLE_NUMBERS = (4, 5, 6)
_DEEPEST = 12


def codecs_in(data: bytes) -> set[int]:
    """The compressions stated in the footer, by their numbers in the format; ``UNCOMPRESSED`` is 0.

    Raises:
        ValueError: The footer is not one, or states no compression for a column.
    """
    length = int.from_bytes(data[-8:-4], "little")
    if data[:4] != MAGIC or data[-4:] != MAGIC or not 0 < length <= len(data) - 12:
        raise _odd("it does not begin and end as Parquet does")
    found: set[int] = set()
    outline = _Footer(data[-8 - length : -8]).structure(_DEEPEST)
    for group in _listed(outline.get(_ROW_GROUPS, [])):
        for column in _listed(group.get(_COLUMNS) if isinstance(group, dict) else None):
            about = column.get(_ABOUT_COLUMN) if isinstance(column, dict) else None
            codec = about.get(_CODEC) if isinstance(about, dict) else None
            if type(codec) is not int:
                raise _odd("a column states no compression")
            found.add(codec)
    return found


def _listed(value: object) -> list[Any]:
    if not isinstance(value, list):
        raise _odd("a list is missing")
    return value


class _Footer:
    """A reader of the compact protocol."""

    def __init__(self, data: bytes) -> None:
        self.data = data
        self.at = 0

    def structure(self, deepest: int) -> dict[int, Any]:
        """A structure: number of a field -> its value. A field that stands twice is refused."""
        if not deepest:
            raise _odd("it is nested too deeply")
        fields: dict[int, Any] = {}
        number = 0
        while head := self.byte():
            number = number + (head >> 4) if head >> 4 else self.signed()
            if number in fields:
                raise _odd("a field stands twice")
            fields[number] = self.value(head & 15, deepest)
        return fields

    def value(self, kind: int, deepest: int) -> Any:  # noqa: ANN401 - whatever a field holds
        """A value of a kind; of a field, so that a truth is told by the kind itself."""
        if kind in {_TRUE, _FALSE}:
            return kind == _TRUE
        if kind == _BYTE:
            return self.byte()
        if kind in _WHOLE_NUMBERS:
            return self.signed()
        if kind == _DOUBLE:
            return self.bytes(8)
        if kind == _BINARY:
            return self.bytes(self.unsigned())
        if kind in {_LIST, _SET}:
            return self.listed(deepest)
        if kind == _STRUCT:
            return self.structure(deepest - 1)
        raise _odd("a value of an unknown kind")

    def listed(self, deepest: int) -> list[Any]:
        """A list; its entries take at least a byte each, so a length beyond the data is refused."""
        head = self.byte()
        n = self.unsigned() if head >> 4 == 15 else head >> 4
        if n > len(self.data) - self.at:
            raise _odd("a list is longer than the file")
        kind = head & 15
        if kind in {_TRUE, _FALSE}:
            return list(self.bytes(n))
        return [self.value(kind, deepest) for _ in range(n)]

    def byte(self) -> int:
        """One byte."""
        return self.bytes(1)[0]

    def bytes(self, n: int) -> bytes:
        """So many bytes."""
        found = self.data[self.at : self.at + n]
        if len(found) != n:
            raise _odd("it is cut short")
        self.at += n
        return found

    def unsigned(self) -> int:
        """A whole number of variable length."""
        value = shift = 0
        while shift < 70:
            one = self.byte()
            value |= (one & 127) << shift
            if one < 128:
                return value
            shift += 7
        raise _odd("a number has too many bytes")

    def signed(self) -> int:
        """A whole number with its sign in the last bit."""
        value = self.unsigned()
        return (value >> 1) ^ -(value & 1)


def _odd(what: str) -> ValueError:
    message = f"no description of a Parquet file: {what}"
    return ValueError(message)
