"""Finding the row of column names in a table that may have titles, merged group rows and unit rows around it."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from xlsxwriter.utility import xl_col_to_name

from pipelines.contract.contract import load_contract
from pipelines.contract.delivery import ReadingAssumption
from pipelines.reading.cells import is_number, is_unit, is_word, listed, shown
from pipelines.reading.settings import ABOUT_HEADER
from warehouse.errors import BadFileError

Cells = list[str]

MAX_HEADER_ROW = 40  # rows from the top among which the header is looked for

MIN_FILLED = 0.6
MIN_WORDS = 0.7  # a header has most cells filled, most of them words


@dataclass(frozen=True, slots=True)
class Header:
    """Column names and where the data begin."""

    names: tuple[str, ...]  # One name a column, unique without regard to case, none blank
    unnamed: frozenset[int]  # Indices of the columns that had no name in the file
    first_data: int  # 0-based index of the first row below the header
    assumptions: tuple[ReadingAssumption, ...]  # What was found out


def find_header(
    rows: Sequence[Cells], width: int, where: str, header_row: int | None, *, first_column: int = 0
) -> Header:
    """Find the header among the first rows of a table.

    The header is the first row where at least 60 % of the columns are filled and 70 % of those are words. A merged row
    above it (``Start | | Finish |``) is joined to the names it spans where the names alone are ambiguous or the
    merged row names times; a merged row that itself passes as header is joined to the row below it. A row of units
    right below is left out.

    ``rows``: First rows, trimmed, "" for blank. ``width``: Usual number of columns of the rows; the table has as many
    as the header row itself. ``header_row``: The stated row, from 1. ``first_column``: 0-based place of the first
    column in the sheet. Raises BadFileError: no row looks like a header, the stated row is not there, or two columns
    have one name.
    """
    longest = max((width, *map(len, rows)))
    grid = [row + [""] * (longest - len(row)) for row in rows]
    stated = header_row is not None
    at = header_row - 1 if header_row is not None else _first_header(grid, width)
    if at is None or not 0 <= at < len(grid) or not any(grid[at]):
        raise _no_header(where, header_row)
    names, first, last = _joined(grid, at, stated=stated)
    names = names[: max(len(row) for row in rows[first : last + 1])]
    named, unnamed = _filled(names, first_column)
    check_unique(named, where, first_column)
    first_data, units = _after_units(grid, last + 1)
    notes = (*(() if stated and first == last else (_header_note(first, last),)), *(() if not units else (units,)))
    return Header(tuple(named), unnamed, first_data, notes)


def unnamed_note(indices: list[int]) -> ReadingAssumption:
    """The record of columns that have values but no name."""
    letters = ", ".join(xl_col_to_name(index) for index in indices)
    return ReadingAssumption(
        "unnamed columns", f"called by their letter: {letters}", "these columns hold values but have no name"
    )


def _first_header(grid: list[Cells], width: int) -> int | None:
    for index, row in enumerate(grid[:MAX_HEADER_ROW]):
        filled = [cell for cell in row if cell]
        if len(filled) < max(2, MIN_FILLED * width):
            continue
        if sum(map(is_word, filled)) >= MIN_WORDS * len(filled):
            return index
    return None


def _no_header(where: str, header_row: int | None) -> BadFileError:
    expected = "one row of column names above the data"
    remedy = "add a row of column names, or state header_row in the mapping"
    if header_row is None:
        return BadFileError("no row of column names was found", where=where, expected=expected, remedy=remedy)
    found = f"the stated header row {header_row} is blank or beyond the first rows of the table"
    return BadFileError(found, where=where, expected=expected, remedy="correct header_row in the mapping")


def _joined(grid: list[Cells], at: int, *, stated: bool) -> tuple[list[str], int, int]:
    """Names, first and last row of the header, whether it is one row or two."""
    names = grid[at]
    if not stated and _continues_below(grid, at):
        return _join(names, grid[at + 1]), at, at + 1
    if at > 0 and _is_group_row(grid[at - 1], names):
        return _join(grid[at - 1], names), at - 1, at
    return names, at, at


def _continues_below(grid: list[Cells], at: int) -> bool:
    """Whether the row at ``at`` has gaps that a row of words below it fills, above data that are not words there."""
    if at + 2 >= len(grid):
        return False
    top, below = grid[at], grid[at + 1]
    gaps = [i for i, cell in enumerate(top) if not cell and i > 0]
    filled = [i for i, cell in enumerate(below) if cell]
    if not gaps or not set(gaps) <= set(filled) or not all(is_word(below[i]) for i in filled):
        return False
    return any(is_number(row[i]) for row in grid[at + 2 :] for i in filled)


def _is_group_row(top: Cells, names: Cells) -> bool:
    groups = [i for i, cell in enumerate(top) if cell]
    if not groups or not all(is_word(top[i]) for i in groups):
        return False
    spans = any(not top[i + 1] and names[i] and names[i + 1] for i in groups if i + 1 < len(top))
    repeated = _repeated([name for name in names if name])
    words = [(cell, *cell.replace("(", " ").split()) for cell in (top[i].lower() for i in groups)]
    times = sum(any(word in _time_codes() for word in one) for one in words)
    return bool(repeated and len(groups) > 1) or (times >= 1 and (spans or len(groups) > 1))


@lru_cache(maxsize=1)
def _time_codes() -> frozenset[str]:
    codes = load_contract().codes["timepoint"]
    return frozenset(word for code in codes for word in (code.code, *code.also, *code.aliases))


def _join(top: Cells, below: Cells) -> list[str]:
    """Each name below with the group above it; a group spreads to the right until the next filled cell."""
    joined, group = [], ""
    for above, name in zip(top, below, strict=True):
        group = above or group
        if above and not name:
            joined.append(above)
            group = ""
        else:
            joined.append(f"{group} {name}".strip() if name else "")
    return joined


def _filled(names: list[str], first_column: int) -> tuple[list[str], frozenset[int]]:
    """Names on one line, with blanks named by their column letter."""
    tidy = [" ".join(name.split()) for name in names]
    unnamed = frozenset(i for i, name in enumerate(tidy) if not name)
    return [name or f"column {xl_col_to_name(first_column + i)}" for i, name in enumerate(tidy)], unnamed


def _repeated(names: list[str]) -> set[str]:
    return {name for name, n in Counter(map(str.casefold, names)).items() if n > 1}


def check_unique(names: list[str], where: str, first_column: int = 0) -> None:
    """Refuse two columns of one name; case does not tell them apart, as it does not in the warehouse.

    Raises BadFileError: a name occurs twice; the message names it and its columns.
    """
    twice = _repeated(names)
    if not twice:
        return
    pairs = [
        f"{shown(names[hits[0]])} (columns {' and '.join(xl_col_to_name(first_column + i) for i in hits)})"
        for key in sorted(twice)
        if (hits := [i for i, name in enumerate(names) if name.casefold() == key])
    ]
    found = f"the header has one name for more than one column: {', '.join(pairs[:5])}"
    remedy = "give each column a name of its own, such as one with start and one with finish in it"
    raise BadFileError(found, where=where, expected="each column name once", remedy=remedy)


def _after_units(grid: list[Cells], at: int) -> tuple[int, ReadingAssumption | None]:
    cells = [cell for cell in grid[at] if cell] if at < len(grid) else []
    if not cells or not all(is_unit(cell) for cell in cells):
        return at, None
    note = ReadingAssumption(
        "row of units", f"row {at + 1} left out", f"it holds only units: {listed(sorted(set(cells)))}"
    )
    return at + 1, note


def _header_note(first: int, last: int) -> ReadingAssumption:
    if first == last:
        return ReadingAssumption(
            ABOUT_HEADER, f"row {last + 1}", "it is the first row with most cells filled with words"
        )
    taken = f"rows {first + 1} and {last + 1} joined"
    return ReadingAssumption(ABOUT_HEADER, taken, "the upper row spans several columns of the lower one")
