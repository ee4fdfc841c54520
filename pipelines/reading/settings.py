"""What a user may state about a file; what is not stated is found out and recorded."""

from dataclasses import dataclass
from typing import Literal

ABOUT_DECIMAL = "decimal"
ABOUT_HEADER = "header row"

DECIMAL_MIXED = "mixed"  # taken for the decimal mark where some columns use a point and others a comma
DECIMAL_OPEN = "not decided"  # taken for the decimal mark where the only candidates read either way, such as 1,234


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadSettings:
    """What is stated about a file. None means: find out, and record what was taken."""

    encoding: str | None = None  # Name of the character encoding of a text file
    delimiter: str | None = None  # The character between the cells of a text file
    # The decimal mark. The reader changes no number of a text file; it records which mark it saw. In a workbook,
    # numbers typed as numbers are written out with this mark, so that a table has one notation.
    decimal: Literal[".", ","] | None = None
    header_row: int | None = None  # Row of the column names as a spreadsheet counts rows, from 1
    sheet: str | None = None  # Name of the one sheet to read; None reads every visible sheet that holds a table
    skip_totals: bool = True  # Whether rows of totals, means or counts and notes below the table are left out
