"""Lists of teeth in the two-digit notation of ISO 3950."""

from __future__ import annotations

import re

import polars as pl

from pipelines.cells.expected import Expected
from pipelines.cells.understood import ReadCell, Understood, by_distinct, tidy
from pipelines.contract.cell_rules import NOT_A_TOOTH
from pipelines.contract.contract import TOOTH_CODES

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
