"""What a single cell looks like: blank, a number, a date, a word; and how places are named in messages."""

import re
from functools import lru_cache

import polars as pl

from pipelines.contract.contract import load_contract

STRAY = " \t\r\n\v\f\u00a0\u2007\u2009\u202f\ufeff\u200b"
"""Characters trimmed from both ends of a cell: blanks, line ends, no-break and thin spaces, zero-width marks."""

_SIGN, _UNIT = r"^[+\-−]?", r"\s?[%°]?$"
NUMBER = rf"{_SIGN}(?:\d+(?:[.,']\d+)*|[.,]\d+)(?:[eE][+-]?\d+)?{_UNIT}"  # a number in any notation
_MARKED = {
    ",": (rf"{_SIGN}\d*,\d+{_UNIT}", rf"{_SIGN}\d{{1,3}}(?:\.\d{{3}})+,\d+{_UNIT}"),
    ".": (rf"{_SIGN}\d*\.\d+{_UNIT}", rf"{_SIGN}\d{{1,3}}(?:,\d{{3}})+\.\d+{_UNIT}"),
}
"""Decimal mark -> numbers that have it, without and with separators of thousands."""
_EITHER = rf"{_SIGN}[1-9]\d{{0,2}}[.,]\d{{3}}{_UNIT}"  # a number whose mark may also separate thousands

_NUMBER = re.compile(NUMBER, re.ASCII)
_DATE = re.compile(r"^\d{1,4}[./-]\d{1,2}[./-]\d{1,4}(?:[ T].*)?$", re.ASCII)
_UNIT_WORDS = frozenset(
    (
        *("deg", "degree", "degrees", "°", "grad", "mm", "cm", "m", "%", "percent", "pct", "prozent", "years", "year"),
        *("yrs", "y", "jahre", "months", "month", "mo", "monate", "points", "pts", "punkte", "score", "n/a", "-"),
        *("mm/px", "mm/pixel", "ratio", "code", "text", "date", "yes/no"),
    )
)


@lru_cache(maxsize=1)
def _missing() -> frozenset[str]:
    return load_contract().missing


def trimmed(cell: str) -> str:
    """The cell without stray blanks at its ends."""
    return cell.strip(STRAY)


def is_number(cell: str) -> bool:
    """Whether a trimmed cell is a number in any notation."""
    return _NUMBER.match(cell) is not None


def share_of_numbers(texts: pl.Series) -> float:
    """Share of numbers among the cells that hold a value."""
    filled = texts.filter(texts.is_not_null() & ~texts.str.to_lowercase().is_in(sorted(_missing())))
    return float(filled.str.contains(NUMBER).mean() or 0.0) if len(filled) else 0.0  # type: ignore[arg-type]


def marks_in(texts: pl.Series) -> tuple[frozenset[str], frozenset[str]]:
    """The decimal marks that numbers among texts show for certain, and those that may as well separate thousands."""
    either = texts.filter(texts.str.contains(_EITHER))
    rest = texts.filter(~texts.str.contains(_EITHER))
    certain = {mark for mark, forms in _MARKED.items() if any(rest.str.contains(form).any() for form in forms)}
    return frozenset(certain), frozenset(mark for mark in ",." if either.str.contains(mark, literal=True).any())


def is_word(cell: str) -> bool:
    """Whether a trimmed cell is text: not blank, not a number, a date or a word for a missing value."""
    return not (is_number(cell) or _DATE.match(cell) or cell.lower() in _missing())


def is_unit(cell: str) -> bool:
    """Whether a trimmed cell is only the name of a unit, bare or in brackets."""
    return cell.strip("()[] ").lower() in _UNIT_WORDS


def shown(name: str) -> str:
    """A column name fit for a message.

    Where a file has no header, a row of data may be taken for one; so what looks like an address or a long number is
    masked, and long names are cut.
    """
    masked = re.sub(r"\S+@\S+", "…@…", name)
    masked = re.sub(r"\d[\d ./-]{4,}\d", "…", masked)
    return masked if len(masked) <= 40 else masked[:39] + "…"


def listed(names: list[str], limit: int = 8) -> str:
    """Names for a message, the first ``limit`` of them."""
    rest = len(names) - limit
    tail = f" and {rest} more" if rest > 0 else ""
    return ", ".join(shown(name) for name in names[:limit]) + tail
