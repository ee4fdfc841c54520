"""Tables from a file of one row a case: cases, phases, visits and readings."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import polars as pl

from pipelines.contract.contract import Contract, ContractColumn
from pipelines.contract.targets import Target
from pipelines.interpreting.columns import constant_column
from pipelines.interpreting.derived import DerivedValue
from pipelines.mapping.column_mapping import BY_FINISH, ColumnMapping
from warehouse.measures.measure import Measure

FIRST_EXAMINER = "E1"
_KEYS = ("row", "case_id")


def wide_tables(
    derived: DerivedValue, mapping: ColumnMapping, *, contract: Contract, catalogue: Mapping[str, Measure]
) -> dict[str, pl.DataFrame]:
    """The four tables of a wide file.

    Args:
        derived: Values by contract name.
        mapping: Gives the targets.
        contract: The contract.
        catalogue: Gives the order of measures.

    Returns:
        ``cases`` has a row for each row of the file; ``phases`` and ``visits`` one where a cell of that phase or time
        is filled; ``readings`` one where a measure of that time and repeat is filled. Columns are those of the contract
        that are kept, null where the file lacks them; ``readings`` has the measures that the file has.
    """
    length = derived.rows.len()
    columns = dict(derived.values)
    for constant in mapping.constants.values():
        columns[constant.target.name] = constant_column(constant.value, length)
    frame = pl.DataFrame({"row": derived.rows.cast(pl.UInt32), **columns})
    layout = _Wide(frame, mapping, contract, list(catalogue))
    return {
        "cases": layout.cases(),
        "phases": layout.phases(),
        "visits": layout.visits(),
        "readings": layout.readings(),
    }


class _Wide:
    """One wide frame, and how its columns are spread over the tables."""

    def __init__(
        self, frame: pl.DataFrame, mapping: ColumnMapping, contract: Contract, measure_order: list[str]
    ) -> None:
        self.frame, self.contract = frame, contract
        self.targets = mapping.targets()
        self.constants = set(mapping.constants)
        stated = mapping.constants.get("status")
        self.by_finish = stated is not None and stated.value == BY_FINISH
        used = {target.field for target in self.targets if target.measure}
        self.measures = [code for code in measure_order if code in used]

    def cases(self) -> pl.DataFrame:
        kept = kept_columns(self.contract, "cases")
        if self.by_finish:
            self.frame = self.frame.with_columns(status=self._status())
        return self.frame.select("row", *(self._value(column, column.name) for column in kept))

    def _status(self) -> pl.Expr:
        """Finished where a finish date or a finish record stands, still in treatment elsewhere."""
        at_finish = [target for target in self.targets if target.timepoint == "finish"]
        names = [
            "months_from_start_finish" if one.type == "date" or one.field == "age" else one.name for one in at_finish
        ]
        taken = "records_taken_finish"
        stands = self._any(name for name in names if name != taken)
        if taken in self.frame.columns:
            stands = stands | (pl.col(taken) == "yes").fill_null(value=False)
        return pl.when(stands).then(pl.lit("finished")).otherwise(pl.lit("in_treatment"))

    def phases(self) -> pl.DataFrame:
        numbers = sorted({target.phase_no for target in self.targets if target.phase_no is not None})
        return self._stack("phases", [self._phase(number) for number in numbers])

    def _phase(self, number: int) -> pl.DataFrame:
        mine = [target for target in self.targets if target.phase_no == number]
        columns = [
            pl.lit(number, dtype=pl.Int64).alias("phase_no")
            if column.name == "phase_no"
            else self._value(column, f"phase_{number}_{column.name}")
            for column in kept_columns(self.contract, "phases")
            if column.name not in _KEYS
        ]
        given_by_mapping = any(
            target.field == "appliance_category" and target.name in self.constants for target in mine
        )
        present = pl.lit(value=True) if given_by_mapping else self._any(target.name for target in mine)
        return self.frame.filter(present).select(*_KEYS, *columns)

    def visits(self) -> pl.DataFrame:
        return self._stack("visits", [self._visit(timepoint) for timepoint in self.contract.timepoints])

    def _visit(self, timepoint: str) -> pl.DataFrame:
        mine = [target for target in self.targets if target.timepoint == timepoint]
        names = [
            f"months_from_start_{timepoint}" if target.type == "date" or target.field == "age" else target.name
            for target in mine
        ]
        measured = self._any(target.name for target in mine if target.measure)
        columns = [
            self._visit_value(column, timepoint, measured)
            for column in kept_columns(self.contract, "visits")
            if column.name not in _KEYS
        ]
        return self.frame.filter(self._any(names)).select(*_KEYS, *columns)

    def _visit_value(self, column: ContractColumn, timepoint: str, measured: pl.Expr) -> pl.Expr:
        name = f"{column.name}_{timepoint}"
        if column.name == "timepoint":
            return pl.lit(timepoint).alias("timepoint")
        if name not in self.frame.columns and name == "months_from_start_start":
            return pl.lit(0.0).alias(column.name)
        if name not in self.frame.columns and column.name == "records_taken":
            return pl.when(measured).then(pl.lit("yes")).otherwise(pl.lit("no")).alias(column.name)
        return self._value(column, name)

    def readings(self) -> pl.DataFrame:
        sets = sorted({(target.repeat_no, self._order(target)) for target in self.targets if target.measure})
        frames = [self._reading(self.contract.timepoints[place], repeat_no) for repeat_no, place in sets]
        return pl.concat(frames) if frames else self._reading(self.contract.timepoints[0], 1)

    def _order(self, target: Target) -> int:
        return self.contract.timepoints.index(str(target.timepoint))

    def _reading(self, timepoint: str, repeat_no: int) -> pl.DataFrame:
        mine = {
            target.field: target.name
            for target in self.targets
            if target.measure and target.timepoint == timepoint and target.repeat_no == repeat_no
        }
        values = [
            pl.col(mine[code]).cast(pl.Float64).alias(code) if code in mine else pl.lit(None, pl.Float64).alias(code)
            for code in self.measures
        ]
        return self.frame.filter(self._any(mine.values())).select(
            *_KEYS,
            pl.lit(timepoint).alias("timepoint"),
            pl.lit(FIRST_EXAMINER).alias("examiner"),
            pl.lit(repeat_no, dtype=pl.Int64).alias("repeat_no"),
            *values,
        )

    def _any(self, names: Iterable[str]) -> pl.Expr:
        """Whether any of the columns that are not constants is filled."""
        filled = [pl.col(name).is_not_null() for name in names if name not in self.constants]
        return pl.any_horizontal(filled) if filled else pl.lit(value=False)

    def _value(self, column: ContractColumn, name: str) -> pl.Expr:
        if name in self.frame.columns:
            return pl.col(name).cast(dtype_of(column)).alias(column.name)
        return pl.lit(None, dtype_of(column)).alias(column.name)

    def _stack(self, table: str, frames: list[pl.DataFrame]) -> pl.DataFrame:
        if frames:
            return pl.concat(frames)
        schema = {column.name: dtype_of(column) for column in kept_columns(self.contract, table)}
        return pl.DataFrame(schema={"row": pl.UInt32, **schema})


def kept_columns(contract: Contract, table: str) -> list[ContractColumn]:
    """The columns of a contract table that are kept."""
    return [column for column in contract.table(table).columns if column.kept]


def dtype_of(column: ContractColumn) -> type[pl.DataType]:
    """The type in which a contract column is kept."""
    if column.type == "integer":
        return pl.Int64
    return pl.Float64 if column.type == "number" else pl.String
