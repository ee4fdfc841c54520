"""Coded columns: what is written, and the code it stands for."""

from __future__ import annotations

import polars as pl

from pipelines.cells.expected import Expected
from pipelines.cells.understood import ReadCell, Understood, by_distinct, tidy


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
