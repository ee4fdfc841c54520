"""All deliveries of one load as one frame a table, with the cases numbered, for checks that look across rows."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
import polars as pl
from numpy.typing import NDArray

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from warehouse.measures.measure import Measure

Numbers: TypeAlias = NDArray[np.float64]
Mask: TypeAlias = NDArray[np.bool_]
Positions: TypeAlias = NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedTables:
    """The rows of a load."""

    # Table -> rows, with `file` (which delivery), `row` (in that file) and `case` (number of the case within this
    # load). Measurements stand as `measurements` (one row a value, tabular files only) and as `readings` (one row
    # a set of values read together, all files).
    frames: Mapping[str, pl.DataFrame]
    n_cases: int  # How many cases are numbered; a row whose case cannot be told has the number `n_cases`
    known: Mask  # Per case number, whether an earlier load knows the case; shape (n_cases + 1,)
    given: Mask  # Per case number, whether a row of `cases` stands in this load; shape (n_cases + 1,)
    accepted: Mask  # Like `given`, once the rows that are turned away are taken out; all true until then
    measures: Mapping[str, Measure]  # The catalogue
    wide: Mask  # Per file, whether it has one row a case
    _arrays: dict[tuple[str, ...], Numbers] = field(default_factory=dict)

    def __getitem__(self, table: str) -> pl.DataFrame:
        """The rows of a table; KeyError where the load has none."""
        return self.frames[table]

    def __contains__(self, table: object) -> bool:
        """Whether the load has the table."""
        return table in self.frames

    def case_numbers(self, table: str) -> Positions:
        """The case number of each row of a table, shape (rows,)."""
        return self.frames[table]["case"].to_numpy().astype(np.int64)

    def measure_columns(self) -> list[str]:
        """The measures for which ``readings`` has a column."""
        return [name for name in self.frames["readings"].columns if name in self.measures]

    def per_case(self, table: str, value: pl.Expr, *where: pl.Expr, name: str = "") -> Numbers:
        """One number a case, taken from the (last) row of the case that fulfils ``where``.

        Args:
            table: Table to look into; all NaN where the load has none.
            value: The number; a truth value becomes 1 or 0, null becomes NaN.
            where: Conditions on the rows.
            name: Name to keep the result under, where several checks ask the same.

        Returns:
            Shape (n_cases + 1,), NaN for a case without such a row and in the last place.
        """
        if name and (table, name) in self._arrays:
            return self._arrays[table, name]
        found = np.full(self.n_cases + 1, np.nan)
        if table in self.frames:
            rows = self.frames[table].lazy().filter(*where) if where else self.frames[table].lazy()
            picked = rows.select("case", value.cast(pl.Float64).alias("value")).collect()
            found[picked["case"].to_numpy()] = picked["value"].to_numpy()
            found[self.n_cases] = np.nan
        if name:
            self._arrays[table, name] = found
        return found

    def months(self, timepoint: str) -> Numbers:
        """Months from start of the records of one time, per case; NaN where not told."""
        if "visits" in self.frames and "months_from_start" not in self.frames["visits"].columns:
            return np.full(self.n_cases + 1, np.nan)
        return self.per_case(
            "visits", pl.col("months_from_start"), pl.col("timepoint") == timepoint, name=f"months at {timepoint}"
        )


def combined(frame: pl.DataFrame, columns: Sequence[str]) -> pl.Series:
    """One whole number a row that is equal where all columns are equal, a blank being a value of its own.

    Numbers are told apart and looked up several times faster than rows of texts.

    Args:
        frame: The rows.
        columns: Texts and whole numbers; together they have fewer combinations than a 64-bit number has values.
    """
    key = pl.Series("key", np.zeros(frame.height, dtype=np.int64))
    for name in columns:
        column = frame[name]
        if column.dtype.is_unsigned_integer():
            codes, size = column.cast(pl.Int64), _highest(column) + 1
        else:
            distinct = column.drop_nulls().unique()
            codes = column.replace_strict(distinct, range(1, len(distinct) + 1), default=0, return_dtype=pl.Int64)
            size = len(distinct) + 1
        key = key * size + codes
    return key.alias("key")


def _highest(column: pl.Series) -> int:
    highest = column.max()
    return highest if isinstance(highest, int) else 0
