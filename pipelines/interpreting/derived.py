"""Dates turned into what is kept of them: an age, a quarter, months from the start."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import polars as pl

from pipelines.cells.understood import Understood, cells_where
from pipelines.contract.cell_rules import IMPOSSIBLE_DATE, NO_START_DATE
from pipelines.contract.targets import date_name
from pipelines.contract.units import DAYS_PER_MONTH, DAYS_PER_YEAR
from pipelines.interpreting.columns import BadCells
from pipelines.mapping.column_mapping import ColumnMapping

OLDEST_SHOWN = 90.0
OLDEST_POSSIBLE = 120.0


@dataclass(slots=True)
class DerivedValue:
    """Values by contract name, dates replaced."""

    rows: pl.Series  # Row in the file of each position; shape (n,)
    # Contract name -> values of shape (n,). Where dates were given, `age_at_start`, `start_quarter` and
    # `months_from_start_<timepoint>` stand in their place; the date of a tabular visit is still there.
    values: dict[str, pl.Series]
    bad: list[BadCells] = field(default_factory=list)  # Cells that turned out impossible together with another
    n_capped: int = 0  # Ages of 90 and over that became 90


def derive(rows: pl.Series, read: Mapping[str, Understood], mapping: ColumnMapping) -> DerivedValue:
    """Replace dates of cases, and of visits in a wide file, by what is kept of them; cap ages."""
    derived = DerivedValue(rows, {name: one.values for name, one in read.items()})
    start = derived.values.pop("start_date", None)
    if start is not None:
        frame = pl.DataFrame({"start": start})
        quarter = pl.format("{}-Q{}", pl.col("start").dt.year(), pl.col("start").dt.quarter())
        derived.values["start_quarter"] = frame.select(quarter).to_series()
        _age(derived, start)
        for target in mapping.columns.values():
            if target.timepoint and target.name == date_name(target.timepoint):
                name = f"months_from_start_{target.timepoint}"
                day = derived.values.pop(target.name)
                derived.values[name] = months_from(derived, target.name, day, start)
    for name in [name for name in derived.values if name.startswith("age_") and name != "age_at_start"]:
        aged = ((derived.values.pop(name) - derived.values["age_at_start"]) * 12).round(2)
        months = f"months_from_start_{name.removeprefix('age_')}"
        stated = derived.values.get(months)
        derived.values[months] = aged if stated is None else stated.zip_with(stated.is_not_null(), aged)
    _cap_age(derived)
    return derived


def _age(derived: DerivedValue, start: pl.Series) -> None:
    birth = derived.values.pop("birth_date", None)
    if birth is None:
        return
    unusable = birth.is_not_null() & start.is_null()
    late = (birth > start).fill_null(value=False)
    _note(derived, "birth_date", unusable, NO_START_DATE)
    _note(derived, "birth_date", late, IMPOSSIBLE_DATE, "a date of birth after the start date")
    age = ((start - birth).dt.total_days() / DAYS_PER_YEAR).round(2)
    derived.values["age_at_start"] = age.zip_with(~late, age.clear(age.len()))


def months_from(derived: DerivedValue, name: str, day: pl.Series, start: pl.Series) -> pl.Series:
    """Months from start, of two decimals and days / 30.4375; null where a date is missing or before the start.

    ``day`` and ``start`` have shape (n,); cells that cannot be are noted in ``derived`` under ``name``.
    """
    unusable = day.is_not_null() & start.is_null()
    early = (day < start).fill_null(value=False)
    _note(derived, name, unusable, NO_START_DATE)
    _note(derived, name, early, IMPOSSIBLE_DATE, "a date before the start date")
    months = ((day - start).dt.total_days() / DAYS_PER_MONTH).round(2)
    return months.zip_with(~early, months.clear(months.len()))


def _note(derived: DerivedValue, name: str, where: pl.Series, rule: str, said: str = "a date") -> None:
    if where.any():
        derived.bad.append((name, cells_where(where, rule, said=said)))


def _cap_age(derived: DerivedValue) -> None:
    age = derived.values.get("age_at_start")
    if age is None:
        return
    old = age.is_between(OLDEST_SHOWN, OLDEST_POSSIBLE).fill_null(value=False)
    derived.n_capped = int(((age > OLDEST_SHOWN) & old).sum())
    if derived.n_capped:
        derived.values["age_at_start"] = age.zip_with(~old, pl.Series([OLDEST_SHOWN]).new_from_index(0, age.len()))
