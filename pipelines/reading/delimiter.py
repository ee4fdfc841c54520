"""Finding the character between the cells of a text file from its first lines."""

from __future__ import annotations

import csv
import io
from collections import Counter
from dataclasses import dataclass
from itertools import islice

from pipelines.contract.delivery import ReadingAssumption
from pipelines.reading.cells import trimmed
from pipelines.reading.settings import ABOUT_DELIMITER
from warehouse.errors import BadFileError

CANDIDATES = {",": "comma", ";": "semicolon", "\t": "tab", "|": "vertical bar"}

SAMPLE_RECORDS = 200
MIN_SHARE = 0.5
"""Least share of the first rows that must have the same number of cells."""


@dataclass(frozen=True, slots=True)
class Split:
    """The first records of a file under one delimiter."""

    delimiter: str  # The character
    records: list[list[str]]  # Cells of the first records, trimmed
    lines: list[int]  # Physical lines taken up to the end of each record
    width: int  # The most frequent number of cells among records with at least two
    share: float  # Share of the non-blank records that have it
    assumptions: tuple[ReadingAssumption, ...] = ()  # What was found out


def find_split(head: str, stated: str | None, where: str) -> Split:
    """Split the first lines at the stated or the best delimiter.

    The best is the one under which most records have the same number of cells, more cells winning ties.

    Raises:
        BadFileError: Every row is one cell, or no delimiter splits the rows alike.
    """
    if stated is not None:
        _check_stated(stated, where)
    splits = [split_at(head, delimiter) for delimiter in ([stated] if stated else CANDIDATES)]
    best = max(splits, key=lambda split: (split.share, split.width))
    if best.width < 2:
        raise _one_column(head, stated, where)
    if best.share < MIN_SHARE and not stated:
        found = "the rows have differing numbers of cells under every usual delimiter"
        expected = "a comma, semicolon, tab or vertical bar between the cells, the same number in each row"
        raise BadFileError(found, where=where, expected=expected, remedy="state the delimiter in the mapping")
    if stated:
        return best
    note = ReadingAssumption(
        ABOUT_DELIMITER, CANDIDATES[best.delimiter], f"it splits most rows into {best.width} cells"
    )
    return Split(best.delimiter, best.records, best.lines, best.width, best.share, (note,))


def sep_line(head: str) -> tuple[str | None, int]:
    """The delimiter stated by a first line ``sep=;``, as some spreadsheet programs write it, and its length in bytes.

    Such a line is no row: a spreadsheet does not show it.
    """
    first = head.split("\n", 1)[0]
    text = first.rstrip("\r").strip('"')
    if len(text) == 5 and text.lower().startswith("sep=") and text.isascii():
        return text[4], len(first) + 1
    return None, 0


def _check_stated(delimiter: str, where: str) -> None:
    if len(delimiter) != 1 or not delimiter.isascii() or delimiter in '\r\n"\x00':
        found = f"the stated delimiter {delimiter[:10]!r} is not one plain character"
        expected = "one character, such as a comma, semicolon, tab or vertical bar"
        raise BadFileError(found, where=where, expected=expected, remedy="correct delimiter in the mapping")


def split_at(head: str, delimiter: str) -> Split:
    """The first records under one delimiter; reading stops quietly at a record that cannot be split."""
    reader = csv.reader(io.StringIO(head, newline=""), delimiter=delimiter)
    records, lines = [], []
    try:
        for record in islice(reader, SAMPLE_RECORDS):
            records.append([trimmed(cell) for cell in record])
            lines.append(reader.line_num)
    except csv.Error:
        pass  # the reading of the whole file tells it with its row
    counts = Counter(len(record) for record in records if any(record))
    several = [(n, width) for width, n in counts.items() if width >= 2]
    n, width = max(several, default=(0, 1))
    return Split(delimiter, records, lines, width, n / max(1, sum(counts.values())))


def _one_column(head: str, stated: str | None, where: str) -> BadFileError:
    expected = "several columns, with a comma, semicolon, tab or vertical bar between the cells"
    other = max((split_at(head, c) for c in CANDIDATES if c != stated), key=lambda split: (split.share, split.width))
    if stated and other.width > 1:
        label = CANDIDATES.get(stated, repr(stated))
        found = f"with the stated delimiter ({label}) every row is one cell"
        remedy = (
            f"the {CANDIDATES[other.delimiter]} splits it into {other.width} columns: correct delimiter in the mapping"
        )
        return BadFileError(found, where=where, expected=expected, remedy=remedy)
    found = "every row is one cell: the file has one column only"
    remedy = "state the delimiter in the mapping if it is another character, or export the table again"
    return BadFileError(found, where=where, expected=expected, remedy=remedy)
