"""Limits that keep a hostile or broken file from taking the machine down.

To read a file takes at most 200 times its size in memory, 500 MB whatever its size, and 5 GB in all: a cell takes about
20 bytes, a byte of an unpacked workbook about 5 (measured). What would take more is refused by what the file says of
itself, before it is unpacked. Each is far above what a practice or a registry delivers: a wide case file of a million
rows by 25 columns is about 150 MB of text, 26 million cells.
"""

HEAD_BYTES = 1 << 20  # how much of a file is looked at to find its kind, delimiter and header
MAX_LINE_BYTES = 1 << 20  # longest line of a text file. Reading stops there: a longer line is not a table

MAX_TEXT_BYTES = 2 << 30
MAX_JSON_BYTES = 64 << 20
MAX_WORKBOOK_BYTES = 512 << 20
MAX_OLD_WORKBOOK_BYTES = 2 << 20
"""Of the .xls kind, whose cells cannot be counted beforehand: each may stand for the longest text there is."""

MAX_PARQUET_BYTES = 4 << 30

MAX_CELL_CHARS = 32_767  # longest cell, in characters: the most that a spreadsheet cell holds

MAX_COLUMNS = 2_000

MAX_UNPACKED_BYTES = 1 << 30  # most that all parts of a workbook may hold when unpacked

UNPACKED_A_BYTE, ALWAYS_UNPACKED_BYTES = 40, 100 << 20
"""Most that a byte of a workbook may become when unpacked, and what may be whatever its size."""

MAX_PACKED_PARTS = 5_000
MAX_SHEETS = 200

MAX_WORKBOOK_CELLS = 30_000_000
"""Most cells of a sheet, counted as the rectangle from the first row to its farthest cell: the reading library sets
aside memory for the whole rectangle, so two cells in opposite corners would ask for 17 billion."""

MAX_SHEET_TEXT_BYTES = 2 << 30
"""Most text of a sheet once shared texts are written out in each cell that refers to them."""

MAX_CELLS = 250_000_000
"""Most cells of a text or Parquet file: about 5 GB in memory. A text of delimiters alone holds a cell a byte; a Parquet
file states its own row count, which packing can make huge in a tiny file."""

CELLS_A_BYTE, ALWAYS_CELLS = 10, 25_000_000
"""Most cells that a byte of a Parquet file may stand for, and what may be whatever its size."""

POINT_CELLS_A_BYTE, ALWAYS_POINT_CELLS = 4, 1_000_000
"""The same for tracings with points inside, whose own values stand beside every point once they are taken apart."""


def most(ceiling: int, n_bytes: int, *, a_byte: int, always: int) -> int:
    """The most that a file of so many bytes may become."""
    return min(ceiling, max(always, a_byte * n_bytes))
