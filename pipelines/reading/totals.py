"""Telling rows of totals and notes below a table from cases.

Only the last rows are looked at, from the bottom up, and the search ends at the first row that is neither. A row counts
as totals when its first filled cell says so, or when its first cell is blank, every filled cell is a number, and at
least half of these numbers are the sum, mean, median, count, smallest, largest or standard deviation of the column
above. A case whose number is missing is therefore not taken for totals.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import polars as pl

from pipelines.reading.cells import is_number

MAX_TAIL = 15
"""Rows from the bottom that are looked at."""

_LABEL = re.compile(
    r"^(?:(?:grand |sub)?totals?|sum|summe|gesamt(?:summe)?|zwischensumme|insgesamt|somme|suma|totale|totaal"
    r"|mean|average|avg\.?|mittel(?:wert)?|durchschnitt|moyenne|media|promedio|median|count|anzahl|nombre)"
    r"(?:\s*[:=(±+].*|\s+\d+|\s+(?:cases|patients|rows|n|values|fälle|patienten|cas))?$"
    r"|^n\s*[:=]\s*\d+$"
    r"|^(?:s\.?d\.?|std\.?(?:\s?dev\.?)?|stdev|min(?:imum)?|max(?:imum)?|range|ø|σ|Σ)\s*:?$",
    re.IGNORECASE,
)
_NOTE_WORDS = 3


@dataclass(frozen=True, slots=True)
class Tail:
    """0-based indices of the rows below the data."""

    totals: tuple[int, ...] = ()
    notes: tuple[int, ...] = ()


def find_tail(frame: pl.DataFrame) -> Tail:
    """The rows of totals and the notes at the end of a trimmed table (null for blank)."""
    start = max(0, frame.height - MAX_TAIL)
    last = frame.slice(start).cast(pl.String, strict=False).rows()
    candidates = [_candidate(row) for row in last]
    first = _first_of_block(candidates)
    block = candidates[first:]
    body = frame.head(start + first)
    totals, notes = [], []
    for offset, kind in reversed(list(enumerate(block))):
        at = start + first + offset
        if kind == "note":
            notes.append(at)
        elif kind == "label" or _is_arithmetic(last[first + offset], body):
            totals.append(at)
        else:
            break
    return Tail(tuple(sorted(totals)), tuple(sorted(notes)))


def _first_of_block(candidates: list[str]) -> int:
    """Index of the first row of the unbroken run of candidates at the end."""
    first = len(candidates)
    while first > 0 and candidates[first - 1]:
        first -= 1
    return first


def _candidate(row: tuple[str | None, ...]) -> str:
    """``label``, ``note``, ``numbers`` (may be totals) or "" for an ordinary row."""
    filled = [cell for cell in row if cell is not None]
    if _LABEL.match(filled[0]):
        return "label"
    if len(filled) == 1 and len(filled[0].split()) >= _NOTE_WORDS and not is_number(filled[0]):
        return "note"
    return "numbers" if row[0] is None and all(map(is_number, filled)) else ""


def _is_arithmetic(row: tuple[str | None, ...], body: pl.DataFrame) -> bool:
    if body.height < 2:
        return False
    filled = [(i, cell) for i, cell in enumerate(row) if cell is not None]
    hits = sum(_matches(cell, body.to_series(i)) for i, cell in filled)
    return hits * 2 >= len(filled)


def _matches(cell: str, column: pl.Series) -> bool:
    """Whether the number is a summary of the column, to the decimals shown."""
    shown = _plain(cell)
    values = column.cast(pl.String).str.replace(",", ".", literal=True).cast(pl.Float64, strict=False).drop_nulls()
    if shown is None or values.len() < 2:
        return False
    number, tolerance = shown
    summaries = (values.sum(), values.len(), values.mean(), values.median(), values.min(), values.max(), values.std())
    return any(
        isinstance(value, int | float) and abs(value - number) <= tolerance + 1e-9 * abs(number) for value in summaries
    )


def _plain(cell: str) -> tuple[float, float] | None:
    """The number and half a unit of its last decimal, where it has at most one decimal mark."""
    text = cell.replace(",", ".").rstrip("%° ").replace("−", "-")
    try:
        number = float(text)
    except ValueError:
        return None
    decimals = len(text.partition(".")[2]) if "e" not in text.lower() else 0
    return number, 0.5 * 10.0**-decimals
