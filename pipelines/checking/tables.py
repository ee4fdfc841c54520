"""All deliveries of one load as one frame a table: cases numbered, single values set side by side."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipelines.contract.delivery import Delivery
from warehouse.measures.measure import Measure

Mask: TypeAlias = NDArray[np.bool_]
Positions: TypeAlias = NDArray[np.int64]
Rows: TypeAlias = NDArray[np.uint32]

READING = ("file", "case", "timepoint", "examiner", "repeat_no")


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

    def of_wide(self, table: str) -> pl.Series:
        """Whether each row comes from a file of one row a case, where a row is made from that of its case."""
        return pl.Series(self.wide[self.frames[table]["file"].to_numpy()])

    def of_case(self, table: str, source: str, value: pl.Expr, *where: pl.Expr) -> pl.Series:
        """Beside each row of ``table``, a value of the (last) row of its case in ``source`` that fulfils ``where``.

        Shape (rows of ``table``,), null for a case without such a row and for one that cannot be told.
        """
        picked = self.frames[source].lazy().filter(*where).select("case", value.alias("value")).collect()
        place = np.full(self.n_cases + 1, -1, dtype=np.int64)
        place[picked["case"].to_numpy()] = np.arange(picked.height)
        place[self.n_cases] = -1
        at = place[self.case_numbers(table)]
        return picked["value"].gather(pl.Series(at).set(pl.Series(at < 0), None))


def combined(frame: pl.DataFrame, columns: Sequence[str]) -> pl.Series:
    """One whole number a row that is equal where all columns are equal, a blank being a value of its own.

    Numbers are quicker to look up than texts. The columns together have fewer combinations than 64 bits.
    """
    key = pl.Series("key", np.zeros(frame.height, dtype=np.int64))
    for name in columns:
        column = frame[name]
        if column.dtype.is_unsigned_integer():
            codes, size = column.cast(pl.Int64), highest_of(column) + 1
        else:
            distinct = column.drop_nulls().unique()
            codes = column.replace_strict(distinct, range(1, len(distinct) + 1), default=0, return_dtype=pl.Int64)
            size = len(distinct) + 1
        key = key * size + codes
    return key.alias("key")


def highest_of(column: pl.Series) -> int:
    """The highest of whole numbers; 0 where there is none."""
    highest = column.max()
    return highest if isinstance(highest, int) else 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Assembled:
    """The tables of a load and where each value of a reading came from."""

    tables: CheckedTables
    # Measure -> row in the file of the value each reading has, for readings put together from single values; for
    # one made from points, the row of its first point; 0 for no value and for readings of files of one row a
    # case. Shape (readings,).
    value_rows: Mapping[str, Rows]


def assemble(
    deliveries: Sequence[Delivery], *, catalogue: Mapping[str, Measure], known_cases: pl.Series | None
) -> Assembled:
    """All rows of a load; files are numbered as they come, values of unknown measures stay out of ``readings``."""
    wide = np.array([delivery.layout == "wide" for delivery in deliveries], dtype=np.bool_)
    keys = _case_keys(deliveries)
    parts = [_delivered(delivery, file, keys) for file, delivery in enumerate(deliveries)]
    found = {table: [part[table] for part in parts if table in part] for part in parts for table in part}
    frames = {name: one[0] if len(one) == 1 else pl.concat(one, how="diagonal_relaxed") for name, one in found.items()}
    value_rows: dict[str, Rows] = {}
    if "measurements" in frames:
        frames["readings"], value_rows = _readings(frames["measurements"], frames.get("readings"), catalogue)
    traced = [file for file, delivery in enumerate(deliveries) if {"landmarks", "readings"} <= set(delivery.tables)]
    if traced:
        value_rows = _with_rows_of_points(frames["readings"], value_rows, traced, catalogue)
    tables = CheckedTables(
        frames=frames,
        n_cases=len(keys),
        known=_known(keys, None if wide.all() else known_cases),
        given=_given(frames.get("cases"), len(keys)),
        accepted=np.ones(len(keys) + 1, dtype=np.bool_),
        measures=catalogue,
        wide=wide,
    )
    return Assembled(tables=tables, value_rows=value_rows)


def main_table(delivery: Delivery) -> str:
    """The table whose rows are the rows of the file."""
    return "cases" if delivery.layout == "wide" else next(iter(delivery.tables))


def _case_keys(deliveries: Sequence[Delivery]) -> pl.Series:
    """Every case key of the load, once; a case is numbered by its place."""
    listed = [delivery.tables[main_table(delivery)]["case_id"].drop_nulls() for delivery in deliveries]
    if len(listed) == 1 and listed[0].n_unique() == len(listed[0]):
        return listed[0]
    return pl.concat([keys.unique() for keys in listed]).unique()


def _delivered(delivery: Delivery, file: int, keys: pl.Series) -> dict[str, pl.DataFrame]:
    """The tables of one delivery with ``file`` and ``case``."""
    main = main_table(delivery)
    numbers = _case_numbers(delivery.tables[main]["case_id"], keys)
    by_row = _by_row(delivery.tables[main]["row"], numbers, missing=len(keys))
    return {
        table: frame.with_columns(
            pl.Series("case", numbers if table == main else by_row[frame["row"].to_numpy()]),
            file=pl.lit(file, dtype=pl.UInt16),
        )
        for table, frame in delivery.tables.items()
    }


def _case_numbers(case_id: pl.Series, keys: pl.Series) -> Rows:
    if case_id.equals(keys):
        return np.arange(len(keys), dtype=np.uint32)
    numbered = keys.alias("case_id").to_frame().with_row_index("case")
    found = case_id.alias("case_id").to_frame().join(numbered, on="case_id", how="left", maintain_order="left")
    return found["case"].fill_null(len(keys)).to_numpy().astype(np.uint32)


def _by_row(rows: pl.Series, numbers: Rows, *, missing: int) -> Rows:
    """Row in the file -> case number."""
    found = np.full(highest_of(rows) + 1, missing, dtype=np.uint32)
    found[rows.to_numpy()] = numbers
    return found


def _known(keys: pl.Series, known_cases: pl.Series | None) -> Mask:
    known = np.zeros(len(keys) + 1, dtype=np.bool_)
    if known_cases is not None and len(known_cases):
        known[:-1] = keys.is_in(known_cases.cast(pl.String).implode()).to_numpy()
    return known


def _given(cases: pl.DataFrame | None, n_cases: int) -> Mask:
    given = np.zeros(n_cases + 1, dtype=np.bool_)
    if cases is not None:
        given[cases["case"].to_numpy()] = True
    given[n_cases] = False
    return given


def _readings(
    singles: pl.DataFrame, wide: pl.DataFrame | None, catalogue: Mapping[str, Measure]
) -> tuple[pl.DataFrame, dict[str, Rows]]:
    """Single values side by side, one row a reading, after the readings of files of one row a case.

    Copies of a key stand in readings of their own, so that every value is looked at.
    """
    usable = singles.filter(pl.col("value").is_not_null(), pl.col("measure").is_in(list(catalogue)))
    usable = usable.with_columns(copy=_copy_number(combined(usable, (*READING, "measure"))))
    usable = usable.with_columns(key=combined(usable, (*READING, "copy")))
    readings = usable.group_by("key", maintain_order=True).agg(
        *(pl.col(name).first() for name in (*READING, "case_id")), pl.col("row").min()
    )
    numbered = readings.select("key").with_row_index("reading")
    place = usable.select("key").join(numbered, on="key", how="left", maintain_order="left")["reading"].to_numpy()
    before = 0 if wide is None else wide.height
    columns: list[pl.Series] = []
    rows: dict[str, Rows] = {}
    measures, values, lines = usable["measure"], usable["value"].to_numpy(), usable["row"].to_numpy()
    given = set(measures.unique())
    for code in [code for code in catalogue if code in given]:
        of_code = (measures == code).to_numpy()
        value = np.full(readings.height, np.nan)
        value[place[of_code]] = values[of_code]
        columns.append(pl.Series(code, value).fill_nan(None))
        rows[code] = np.zeros(before + readings.height, dtype=np.uint32)
        rows[code][before + place[of_code]] = lines[of_code]
    put = readings.drop("key").with_columns(columns)
    return (put if wide is None else pl.concat([wide, put], how="diagonal_relaxed")), rows


def _with_rows_of_points(
    readings: pl.DataFrame, value_rows: Mapping[str, Rows], traced: Sequence[int], catalogue: Mapping[str, Measure]
) -> dict[str, Rows]:
    """The rows of values with those of readings made from points, which count from their first point."""
    of_points = readings["file"].is_in(traced)
    first = readings["row"].cast(pl.UInt32)
    found = dict(value_rows)
    for code in [code for code in readings.columns if code in catalogue]:
        here = (of_points & readings[code].is_not_null()).to_numpy()
        if here.any():
            earlier = found.get(code, np.zeros(readings.height, dtype=np.uint32))
            found[code] = np.where(here, first.to_numpy(), earlier)
    return found


def _copy_number(keys: pl.Series) -> pl.Series:
    """0 for the first value of a key, 1 for the second and so on; shape (values,)."""
    copy = np.zeros(len(keys), dtype=np.uint32)
    repeated = keys.is_duplicated()
    if repeated.any():
        numbered = keys.filter(repeated).to_frame().select(pl.int_range(pl.len(), dtype=pl.UInt32).over("key"))
        copy[repeated.to_numpy()] = numbered.to_series().to_numpy()
    return pl.Series("copy", copy)
