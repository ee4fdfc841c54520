"""Codes, teeth, quarters, case numbers, pseudonyms and other words: what is written, and what it stands for."""

from __future__ import annotations

import re
from datetime import date

import polars as pl

from pipelines.cells.dates import EARLIEST_YEAR
from pipelines.cells.understood import Expected, ReadCell, Understood, by_distinct, text_of, tidy
from pipelines.contract.cell_rules import (
    IMPOSSIBLE_DATE,
    NOT_A_PSEUDONYM,
    NOT_A_QUARTER,
    NOT_A_TOOTH,
    UNIT_DOES_NOT_FIT,
    UNKNOWN_LANDMARK,
)
from pipelines.contract.contract import TOOTH_CODES
from pipelines.contract.units import unit_named
from pipelines.deidentify.pseudonyms import is_pseudonym
from warehouse.measures.landmarks import ALIASES, LANDMARKS

_FORMS = (
    re.compile(r"(?P<year>\d{4})[ /-]?q ?(?P<quarter>[1-4])"),
    re.compile(r"q ?(?P<quarter>[1-4])[ /-]?(?P<year>\d{4})"),
)


def read_quarters(cells: pl.Series, expected: Expected) -> Understood:
    """Quarters of a column as ``YYYY-Qn``; the year may come first or last, but a Q must stand with the number."""

    def understand(text: str) -> ReadCell:
        spelling = tidy(text).lower()
        if spelling in expected.missing or expected.spellings.get(spelling) == "":
            return ReadCell()
        match = next((found for form in _FORMS if (found := form.fullmatch(spelling))), None)
        if match is None:
            return ReadCell(rule=NOT_A_QUARTER)
        year, quarter = int(match["year"]), int(match["quarter"])
        possible = year >= EARLIEST_YEAR and (year, quarter) <= _quarter(expected.today)
        return ReadCell(f"{year:04d}-Q{quarter}") if possible else ReadCell(rule=IMPOSSIBLE_DATE)

    return by_distinct(cells, understand, pl.String)


def _quarter(day: date) -> tuple[int, int]:
    return day.year, (day.month + 2) // 3


NONE = "none"
_NONE_WORDS = frozenset({"none", "no teeth", "keine", "keiner", "aucune", "ninguno", "ninguna", "nessuno", "nil"})


def read_teeth(cells: pl.Series, expected: Expected) -> Understood:
    """Teeth of a column as canonical text: codes in ascending order with single spaces, or ``none``.

    A blank cell is not known, which is not the same as none. The notation of one country (``UR4``, ``4|4``) is not
    guessed; a mapping file can give each spelling its teeth.
    """

    def understand(text: str) -> ReadCell:
        spelling = tidy(text).lower()
        if spelling in expected.spellings:
            return ReadCell(expected.spellings[spelling] or None)
        if spelling in expected.missing:
            return ReadCell()
        teeth = teeth_text(spelling)
        return ReadCell(teeth) if teeth else ReadCell(rule=NOT_A_TOOTH)

    return by_distinct(cells, understand, pl.String)


def teeth_text(text: str) -> str | None:
    """Canonical text of a list of teeth, or None where a part of it is no tooth code."""
    words = tidy(text).lower()
    if words in _NONE_WORDS:
        return NONE
    codes = [part for part in re.split(r"[\s,;]+", words) if part]
    if not codes or not TOOTH_CODES.issuperset(codes):
        return None
    return " ".join(sorted(set(codes)))


def read_case_ids(cells: pl.Series, expected: Expected) -> Understood:
    """Case numbers as trimmed text, null where blank. They are to be hashed at once.

    A whole number typed as a decimal number (as spreadsheets do) has no decimal part.
    """
    text = text_of(cells)
    blank = text.str.to_lowercase().is_in(sorted(expected.missing | {""})).fill_null(True)
    return Understood(text.zip_with(~blank, text.clear(text.len())))


def read_pseudonyms(cells: pl.Series, expected: Expected) -> Understood:
    """Pseudonyms of a column, in capitals; a mapping file may turn each spelling into a pseudonym."""

    def understand(text: str) -> ReadCell:
        spelling = tidy(text).lower()
        if spelling in expected.spellings:
            return ReadCell(expected.spellings[spelling] or None)
        if spelling in expected.missing:
            return ReadCell()
        return ReadCell(spelling.upper()) if is_pseudonym(spelling) else ReadCell(rule=NOT_A_PSEUDONYM)

    return by_distinct(cells, understand, pl.String)


def read_landmarks(cells: pl.Series, expected: Expected) -> Understood:
    """Codes of landmarks; capitals matter, for ``Sn`` is not ``SN``."""

    def understand(text: str) -> ReadCell:
        exact = tidy(text).replace("’", "'")
        mapped = expected.spellings.get(exact.lower())
        if mapped is not None:
            return ReadCell(mapped or None)
        code = ALIASES.get(exact, exact)
        if code in LANDMARKS:
            return ReadCell(code)
        return ReadCell() if exact.lower() in expected.missing else ReadCell(rule=UNKNOWN_LANDMARK)

    return by_distinct(cells, understand, pl.String)


def read_units(cells: pl.Series, expected: Expected) -> Understood:
    """Units by any spelling, as the first name of each; whether one fits the measure is another question."""

    def understand(text: str) -> ReadCell:
        spelling = tidy(text).lower()
        if spelling in expected.missing or expected.spellings.get(spelling) == "":
            return ReadCell()
        unit = unit_named(expected.spellings.get(spelling, spelling))
        return ReadCell(unit) if unit else ReadCell(rule=UNIT_DOES_NOT_FIT)

    return by_distinct(cells, understand, pl.String)


def read_codes(cells: pl.Series, expected: Expected, *, rule: str) -> Understood:
    """Codes of a column; capitals and surrounding or double spaces do not matter.

    A spelling of the column goes before the spellings that mean "not known".

    Args:
        cells: Cells of shape (n,) of any type; whole numbers and truth values are taken as their text.
        expected: What the column must hold.
        rule: The rule that an unknown spelling breaks.
    """

    def understand(text: str) -> ReadCell:
        spelling = tidy(text).lower()
        if spelling in expected.spellings:
            return ReadCell(expected.spellings[spelling] or None)
        return ReadCell() if spelling in expected.missing else ReadCell(rule=rule)

    return by_distinct(cells, understand, pl.String)
