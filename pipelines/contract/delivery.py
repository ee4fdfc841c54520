"""What passes from one step of an ingest to the next.

``RawTable`` (as read) -> ``Delivery`` (as interpreted, in contract tables) -> ``Sorted`` (good rows and turned-away
rows). Frames are Polars; ``row`` is always the row number in the file as a spreadsheet shows it (1 = first line).
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import polars as pl

from warehouse.errors import BrokenRuleError

Layout = Literal["wide", "long", "tabular", "points"]

PROBLEM_COLUMNS = ("table", "row", "column", "rule", "found")
"""Columns of a frame of problems: contract table, row in the file, column as the file names it, rule id, and
the offending value after redaction."""


@dataclass(frozen=True, slots=True)
class ReadingAssumption:
    """Something the reader or the mapping took to be so, printed and kept in the load record."""

    about: str
    taken: str
    because: str


@dataclass(frozen=True, slots=True)
class FileSource:
    """The file a table came from: its name without the folder, hash of its bytes, size, and sheet if any.

    Once an ingest has made the names fit to be shown, the given ones stand beside them; they are never kept or shown.
    """

    name: str
    sha256: str
    n_bytes: int
    sheet: str | None = None
    given_name: str = field(default="", repr=False)
    given_sheet: str | None = field(default=None, repr=False)


@dataclass(frozen=True, slots=True)
class RawTable:
    """One table as read: columns named as in the file (trimmed), values as text or as the file types them.

    ``frame`` has no ``row`` column; ``rows`` (UInt32, same height) gives the row number of each row in the file.
    """

    source: FileSource
    frame: pl.DataFrame
    rows: pl.Series
    assumptions: tuple[ReadingAssumption, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivery:
    """One file in contract terms, before validation; identifying values are already gone."""

    source: FileSource  # The file
    layout: Layout  # `wide` (one row a case), `tabular` (one contract table) or `points` (landmarks)
    practice: str  # Pseudonym of the practice
    n_read: int  # Rows read from the file (what loaded + turned away must add up to)
    # Contract table -> typed frame with a `row` column. `case_id` holds the keyed hash. A wide file gives
    # `cases`, `phases`, `visits` and `readings` (row, case_id, timepoint, examiner, repeat_no, and one Float64
    # column a measure); a tabular file gives its own table, measurements as `measurements` (row, case_id,
    # timepoint, measure, value, examiner, repeat_no; value in the catalogue's unit). A file of points gives
    # `landmarks`, and `readings` once measures were made from them.
    tables: Mapping[str, pl.DataFrame]
    columns: Mapping[str, str]  # Contract column name -> column name in the file, for messages
    problems: pl.DataFrame  # Cells that could not be understood (PROBLEM_COLUMNS)
    assumptions: tuple[ReadingAssumption, ...] = ()  # Everything taken to be so on the way
    # For readings made from points, the view each value came from: one column a measure, rows as in `readings`
    value_views: pl.DataFrame = field(default_factory=pl.DataFrame)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sorted:
    """One delivery after validation: rows to load, rows turned away with every reason, remarks on loaded rows."""

    delivery: Delivery  # What was validated
    good: Mapping[str, pl.DataFrame]  # Contract table -> rows to load (measurements always as `readings`)
    turned_away: pl.DataFrame  # One row a reason: PROBLEM_COLUMNS plus `case_id` (null where not legible)
    remarks: pl.DataFrame  # Same shape, for rules of severity `warn`; their rows are loaded
    n_good: int  # Rows of the file that are loaded
    n_turned_away: int  # Rows of the file that are not

    def __post_init__(self) -> None:
        """BrokenRuleError where good rows and rows turned away are not all rows that were read."""
        n_read = self.delivery.n_read
        if n_read != self.n_good + self.n_turned_away:
            found = f"{n_read} rows were read, but {self.n_good} are good and {self.n_turned_away} were turned away."
            expected = "rows read = rows good + rows turned away"
            raise BrokenRuleError(found, where=self.delivery.source.name, expected=expected)
