"""A snapshot that another version published: what this version reads may not be in it."""

from __future__ import annotations

import re
from pathlib import Path

from warehouse.errors import WarehouseError

_TABLE = re.compile(r"Table with name (mart_\w+) does not exist")
_COLUMN = re.compile(r'Referenced column "(\w+)" not found|does not have a column named "(\w+)"')


def lacking(text: str, path: Path) -> WarehouseError | None:
    """The error a person can act on where a published snapshot lacks a table or column; None for anything else.

    Statements are made by Menton from names it has checked, so what a snapshot does not know was not there when it was
    published.

    Args:
        text: What DuckDB says.
        path: The file that was read.
    """
    if not path.name.startswith("mart-"):
        return None
    table, column = _TABLE.search(text), _COLUMN.search(text)
    if table:
        what = f"no table {table[1]}"
    elif column:
        what = f"no column {column[1] or column[2]}"
    else:
        return None
    found = f"the published snapshot is older than this version of Menton: it has {what}"
    return WarehouseError(found, where=path.name, remedy="run `menton publish` to publish it again")
