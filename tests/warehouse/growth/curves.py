"""What a growth reference expects, asked as the published tables ask it: by its statement."""

from __future__ import annotations

import duckdb

from warehouse.outcomes.growth_reference import GrowthCurve
from warehouse.store.quoting import curve_at


def by_sql(expression: str, **ages: float) -> float | None:
    """The value of an expression of ages, in DuckDB; None for null."""
    columns = ", ".join(f"{age}::double as {name}" for name, age in ages.items())
    row = duckdb.sql(f"select {expression} from (select {columns})").fetchone()
    assert row is not None
    return None if row[0] is None else float(row[0])


def mean_at(curve: GrowthCurve, age: float) -> float | None:
    """The mean at an age, in the unit of the measure."""
    return by_sql(curve_at(curve, "a"), a=age)


def expected_change(curve: GrowthCurve, age_from: float, age_to: float) -> float | None:
    """The mean change between two ages, in the unit of the measure."""
    return by_sql(f"({curve_at(curve, 'b')}) - ({curve_at(curve, 'a')})", a=age_from, b=age_to)
