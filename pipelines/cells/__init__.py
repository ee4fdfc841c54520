"""Cells of a file turned into values of the contract, a column at a time, with a reason for every cell that is not."""

from __future__ import annotations

from pipelines.cells.dates import DateOrder, order_of
from pipelines.cells.numbers import decimal_of
from pipelines.cells.reading import PSEUDONYM_FIELDS, read_cells
from pipelines.cells.understood import Expected, Understood

__all__ = ["PSEUDONYM_FIELDS", "DateOrder", "Expected", "Understood", "decimal_of", "order_of", "read_cells"]
