"""Codes, teeth, quarters, case numbers, pseudonyms and other words: what is written, and what it stands for."""

import re
from collections.abc import Callable, Iterable, Mapping

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
from pipelines.contract.targets import RULER
from pipelines.contract.units import unit_named
from pipelines.contract.words import written_in_cells
from pipelines.deidentify.pseudonyms import is_pseudonym
from warehouse.measures.landmarks import ALIASES, LANDMARKS

_FORMS = (
    re.compile(r"(?P<year>\d{4})[ /-]?q ?(?P<quarter>[1-4])"),
    re.compile(r"q ?(?P<quarter>[1-4])[ /-]?(?P<year>\d{4})"),
)


def _spelled(cells: pl.Series, expected: Expected, rule: str, means: Callable[[str], str | None]) -> Understood:
    """Cells by the spellings of the column, then those for "not known", then by what ``means`` makes of them."""

    def understand(text: str) -> ReadCell:
        spelling = tidy(text).lower()
        if spelling in expected.spellings:
            return ReadCell(expected.spellings[spelling] or None)
        if spelling in expected.missing:
            return ReadCell()
        meant = means(spelling)
        return ReadCell(meant) if meant else ReadCell(rule=rule)

    return by_distinct(cells, understand, pl.String)


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
        possible = year >= EARLIEST_YEAR and (year, quarter) <= (expected.today.year, (expected.today.month + 2) // 3)
        return ReadCell(f"{year:04d}-Q{quarter}") if possible else ReadCell(rule=IMPOSSIBLE_DATE)

    return by_distinct(cells, understand, pl.String)


def is_sex_letter(text: str) -> bool:
    """Whether a spelling of sex is one of those that mean something only beside another."""
    return any(text in pair for pair in written_in_cells().sexes)


def sexes_settled(present: Iterable[str], stated: Mapping[str, str] | None = None) -> dict[str, str]:
    """What letters and figures of sex mean as a set: M is male beside F, and female beside H.

    ``present``: Spellings of the column, in lower case. ``stated``: Spelling -> code that a mapping states; what
    contradicts it is not settled.

    Gives letter or figure -> code, without those that stand alone in two meanings, or beside partners of two kinds.
    """
    there, stated = set(present), stated or {}
    settled: dict[str, str] = {}
    for letter in filter(is_sex_letter, there):
        pairs = [pair for pair in written_in_cells().sexes if letter in pair]
        pairs = [pair for pair in pairs if there.issuperset(pair)] or pairs
        meant = {
            code
            for pair in pairs
            for code in ("male", "female")
            if pair[code == "female"] == letter
            and all(stated.get(one, sex) == sex for one, sex in zip(pair, ("male", "female"), strict=True))
        }
        if len(meant) == 1:
            settled[letter] = meant.pop()
    return settled


NONE = "none"
PATTERN_NOT_KNOWN = "pattern not known"  # canonical text of a case of which it is only known that teeth were taken out
_NONE_WORDS = frozenset({"none", "no teeth", "keine", "keiner", "aucune", "ninguno", "ninguna", "nessuno", "nil"})


def read_teeth(cells: pl.Series, expected: Expected) -> Understood:
    """Teeth of a column as canonical text: codes in ascending order, ``none`` or ``pattern not known``.

    A blank cell is not known, which is not the same as none. The notation of one country (``UR4``, ``4|4``) is not
    guessed; a mapping file can give each spelling its teeth, or say ``teeth = "universal"`` for figures from 1 to 32.
    """
    universal = expected.teeth == "universal"
    return _spelled(cells, expected, NOT_A_TOOTH, lambda spelling: teeth_text(spelling, universal=universal))


_QUADRANTS = {"ur": ("1", "5"), "ul": ("2", "6"), "ll": ("3", "7"), "lr": ("4", "8")}
_BY_LETTERS = re.compile(r"(ur|ul|ll|lr)[ -]?([1-8]|[a-e])")
_UNIVERSAL = [f"{q}{n}" for q, numbers in ((1, range(8, 0, -1)), (2, range(1, 9))) for n in numbers]
_UNIVERSAL += [f"{q}{n}" for q, numbers in ((3, range(8, 0, -1)), (4, range(1, 9))) for n in numbers]
"""ISO 3950 code of each tooth as the universal numbering (1 to 32) counts them."""


def teeth_text(text: str, *, universal: bool = False) -> str | None:
    """Canonical text of a list of teeth, or None where a part of it is no tooth code."""
    words = tidy(text).lower()
    if words in _NONE_WORDS:
        return NONE
    if words == PATTERN_NOT_KNOWN:
        return words
    codes = [part for part in re.split(r"[\s,;]+", words) if part]
    if universal:
        codes = [universal_tooth(code) or "?" for code in codes]
    if not codes or not TOOTH_CODES.issuperset(codes):
        return None
    return " ".join(sorted(set(codes)))


def teeth_by_letters(text: str) -> str | None:
    """Canonical text of teeth written otherwise, which a draft proposes; else None.

    Quadrants are in letters (``UR4``, ``ULE``), or signs stand between codes; a dash only where it parts the same tooth
    of several quadrants, for ``11-13`` may be a range.
    """
    coded = _BY_LETTERS.sub(
        lambda m: _QUADRANTS[m[1]][m[2].isalpha()] + str("abcde".find(m[2]) + 1 or m[2]), text.lower()
    )
    parts = re.split(r"\s*[-+/&]\s*", coded)
    is_list = "-" not in coded or len({part[-1:] for part in parts}) == 1
    return teeth_text(" ".join(parts)) if is_list else None


def universal_tooth(text: str) -> str | None:
    """ISO 3950 code of a tooth in the universal numbering, with or without ``#``; None where it is no such number."""
    bare = text.removeprefix("#")
    return _UNIVERSAL[int(bare) - 1] if bare.isdecimal() and 1 <= int(bare) <= len(_UNIVERSAL) else None


def read_case_ids(cells: pl.Series, expected: Expected) -> Understood:
    """Case numbers as trimmed text, null where blank. They are to be hashed at once.

    A whole number typed as a decimal number (as spreadsheets do) has no decimal part.
    """
    text = text_of(cells)
    blank = text.str.to_lowercase().is_in(sorted(expected.missing | {""})).fill_null(True)
    return Understood(text.zip_with(~blank, text.clear(text.len())))


def read_pseudonyms(cells: pl.Series, expected: Expected) -> Understood:
    """Pseudonyms of a column, in capitals; a mapping file may turn each spelling into a pseudonym."""
    return _spelled(cells, expected, NOT_A_PSEUDONYM, lambda one: one.upper() if is_pseudonym(one) else None)


def read_landmarks(cells: pl.Series, expected: Expected) -> Understood:
    """Codes of landmarks; capitals matter, for ``Sn`` is not ``SN``."""

    def understand(text: str) -> ReadCell:
        exact = tidy(text).replace("’", "'")
        mapped = expected.spellings.get(exact.lower())
        if mapped is not None:
            return ReadCell(mapped or None)
        code = ALIASES.get(exact, exact)
        if code in LANDMARKS or code in RULER:
            return ReadCell(code)
        return ReadCell() if exact.lower() in expected.missing else ReadCell(rule=UNKNOWN_LANDMARK)

    return by_distinct(cells, understand, pl.String)


def read_units(cells: pl.Series, expected: Expected) -> Understood:
    """Units by any spelling, as the first name of each; whether one fits the measure is another question."""
    return _spelled(cells, expected, UNIT_DOES_NOT_FIT, unit_named)


def read_codes(cells: pl.Series, expected: Expected, *, rule: str) -> Understood:
    """Codes of a column; capitals and surrounding or double spaces do not matter.

    A spelling of the column goes before the spellings that mean "not known".
    """
    return _spelled(cells, expected, rule, lambda _: None)
