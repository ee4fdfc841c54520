"""Text that is kept, and so must be a pseudonym or one of a list; and case numbers, which are hashed."""

from __future__ import annotations

import polars as pl

from pipelines.cells.expected import Expected
from pipelines.cells.understood import ReadCell, Understood, by_distinct, text_of, tidy
from pipelines.contract.cell_rules import NOT_A_PSEUDONYM, UNIT_DOES_NOT_FIT, UNKNOWN_LANDMARK
from pipelines.contract.units import unit_named
from pipelines.deidentify.pseudonyms import is_pseudonym
from warehouse.measures.landmarks import ALIASES, LANDMARKS


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
