"""The one table of a tabular file or of a file of points."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from pipelines.cells.understood import bad_cells
from pipelines.contract.cell_rules import NOT_WHOLE, UNIT_DOES_NOT_FIT
from pipelines.contract.contract import Contract
from pipelines.contract.targets import RULER
from pipelines.contract.units import all_units, factor, unit_named
from pipelines.interpreting.columns import BadCells, constant_column
from pipelines.interpreting.derived import DerivedValue, months_from
from pipelines.interpreting.wide import dtype_of, kept_columns
from pipelines.mapping.column_mapping import ColumnMapping
from warehouse.errors import MappingError
from warehouse.measures.measure import Measure


def tabular_table(
    derived: DerivedValue, mapping: ColumnMapping, *, contract: Contract, catalogue: Mapping[str, Measure]
) -> tuple[dict[str, pl.DataFrame], list[BadCells]]:
    """The table of a tabular file, and cells that do not fit another of their row.

    Args:
        derived: Values by contract name.
        mapping: Gives table, constants and units.
        contract: The contract.
        catalogue: Gives the unit of each measure.

    Returns:
        The table by its name, with ``row`` and the contract's columns that are kept; defaults stand where a cell is
        blank. ``measurements`` has no unit: its values are in the unit of each measure.
    """
    table = str(mapping.settings.table)
    columns = dict(derived.values)
    for constant in mapping.constants.values():
        columns[constant.target.name] = constant_column(constant.value, derived.rows.len())
    bad: list[BadCells] = []
    if table == "visits":
        _add_months(columns, derived)
    if table == "measurements":
        bad = _convert(columns, mapping, catalogue)
    frame = pl.DataFrame({"row": derived.rows.cast(pl.UInt32), **columns})
    kept = [column for column in kept_columns(contract, table) if (table, column.name) != ("measurements", "unit")]
    values = []
    for column in kept:
        given = pl.col(column.name) if column.name in columns else pl.lit(None)
        value = given.cast(dtype_of(column))
        values.append((value if column.default is None else value.fill_null(column.default)).alias(column.name))
    made = frame.select("row", *values)
    return {table: _by_ruler(made, mapping.settings.ruler_mm) if table == POINTS else made}, bad


POINTS = "landmarks"
_PICTURE = ["case_id", "timepoint", "view", "examiner", "repeat_no"]


def _by_ruler(points: pl.DataFrame, ruler_mm: float | None) -> pl.DataFrame:
    """The points in millimetres by the ruler of their picture, where it has one; its ends are no landmarks and go.

    Raises:
        MappingError: There is a ruler, and its length is not stated.
    """
    ends = points.filter(pl.col("landmark").is_in(RULER))
    if ends.is_empty():
        return points
    if ruler_mm is None:
        found = "the pictures hold a ruler, and its length is not stated"
        raise MappingError(found, where="[file] ruler_mm", expected="its length in mm", remedy="say ruler_mm = 45.0")
    first, second = (ends.filter(pl.col("landmark") == one).unique(_PICTURE).drop("row") for one in RULER)
    both = first.join(second, on=_PICTURE, suffix="_2")
    length = ((pl.col("x") - pl.col("x_2")) ** 2 + (pl.col("y") - pl.col("y_2")) ** 2).sqrt()
    scales = both.select(*_PICTURE, (ruler_mm / length).alias("scale")).filter(pl.col("scale").is_finite())
    joined = points.filter(~pl.col("landmark").is_in(RULER)).join(
        scales, on=_PICTURE, how="left", maintain_order="left"
    )
    scaled = pl.col("scale").fill_null(1.0)
    unit = pl.when(pl.col("scale").is_null()).then(pl.col("unit")).otherwise(pl.lit("mm"))
    return joined.with_columns(pl.col("x") * scaled, pl.col("y") * scaled, unit.alias("unit")).drop("scale")


def _add_months(columns: dict[str, pl.Series], derived: DerivedValue) -> None:
    """Months of each visit from the start visit of the same case, where the file gives dates or ages."""
    ages = columns.pop("age", None)
    if ages is not None:
        aged = pl.DataFrame({"case": columns["case_id"], "timepoint": columns["timepoint"], "age": ages})
        first = aged.filter(pl.col("timepoint") == "start").unique("case").select("case", start="age")
        joined = aged.join(first, on="case", how="left", maintain_order="left")
        columns["months_from_start"] = ((joined["age"] - joined["start"]) * 12).round(2)
    dates = columns.pop("date", None)
    if dates is None:
        return
    frame = pl.DataFrame({"case": columns["case_id"], "timepoint": columns["timepoint"], "date": dates})
    started = frame.filter(pl.col("timepoint") == "start").group_by("case").agg(pl.col("date").min().alias("start"))
    start = frame.join(started, on="case", how="left", maintain_order="left")["start"]
    columns["months_from_start"] = months_from(derived, "date", dates, start)


def _convert(columns: dict[str, pl.Series], mapping: ColumnMapping, catalogue: Mapping[str, Measure]) -> list[BadCells]:
    """Turn values into the unit of their measure; the cells whose unit or value does not fit it."""
    value, length = columns["value"], columns["value"].len()
    stated = mapping.units.get(mapping.column_of("value"))
    unit = columns.pop("unit", None)
    if unit is None:
        unit = constant_column(unit_named(stated) or "", length) if stated else pl.Series([None] * 0, dtype=pl.String)
        unit = unit if stated else unit.clear(length)
    frame = pl.DataFrame({"measure": columns["measure"], "unit": unit, "value": value})
    frame = frame.join(_factors(catalogue), on=["measure", "unit"], how="left", maintain_order="left")
    frame = frame.with_columns(_unit_fault(), (pl.col("value") * _factor()).alias("value"))
    whole = [code for code, measure in catalogue.items() if measure.integer_valued]
    broken = pl.col("measure").is_in(whole) & (pl.col("value") != pl.col("value").floor())
    frame = frame.with_columns(pl.when(broken).then(pl.lit(NOT_WHOLE)).alias("value_rule"))
    faulty = pl.col("unit_rule").is_not_null() | pl.col("value_rule").is_not_null()
    columns["value"] = frame.select(pl.when(~faulty).then(pl.col("value"))).to_series()
    unit_column = "unit" if any(target.name == "unit" for target in mapping.targets()) else "value"
    return [
        (unit_column, bad_cells(frame["unit_rule"], frame["unit"])),
        ("value", bad_cells(frame["value_rule"], value.cast(pl.String))),
    ]


def _factor() -> pl.Expr:
    return pl.when(pl.col("unit").is_null()).then(1.0).otherwise(pl.col("factor"))


def _unit_fault() -> pl.Expr:
    unfit = pl.col("measure").is_not_null() & pl.col("unit").is_not_null() & pl.col("factor").is_null()
    return pl.when(unfit).then(pl.lit(UNIT_DOES_NOT_FIT)).alias("unit_rule")


def _factors(catalogue: Mapping[str, Measure]) -> pl.DataFrame:
    """One row a measure and unit that fits it: what values are multiplied by."""
    rows = [
        (code, unit, by)
        for code, measure in catalogue.items()
        for unit in all_units()
        if (by := factor(unit, measure.unit)) is not None
    ]
    return pl.DataFrame(rows, schema={"measure": pl.String, "unit": pl.String, "factor": pl.Float64}, orient="row")
