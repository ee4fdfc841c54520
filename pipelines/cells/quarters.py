"""Quarters of a year."""

from __future__ import annotations

import re
from datetime import date

import polars as pl

from pipelines.cells.dates import EARLIEST_YEAR
from pipelines.cells.expected import Expected
from pipelines.cells.understood import ReadCell, Understood, by_distinct, tidy
from pipelines.contract.cell_rules import IMPOSSIBLE_DATE, NOT_A_QUARTER

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
