"""What is in force in a published snapshot, to be read by people: definitions, growth curves, measures, the build."""

from dataclasses import dataclass
from math import ceil

import numpy as np
import polars as pl

from warehouse.marts.reader import Reader
from warehouse.outcomes.definition import Definition
from warehouse.store.quoting import statement

GROWING = (4.0, 20.0)  # ages between which growth curves are shown


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class InForce:
    """Everything that decides how a case is counted."""

    headline: Definition  # The definition on the headline
    definitions: tuple[Definition, ...]  # All of them
    growth_reference: str  # Name and provenance of the growth reference
    # One row a measure, sex and age: measure, label, unit, sex, source, age, mean; at whole years of growth
    curves: pl.DataFrame
    measures: pl.DataFrame  # One row a measure: measure, label, definition, unit, up_means, is_own
    build: str  # Build id; `published_at` and `tool_version` belong to it
    published_at: str
    tool_version: str


def catalogue_report(reader: Reader) -> InForce:
    """What the snapshot was published with. It concerns no case."""
    build, published_at, tool_version = reader.connection.rows(
        "select build_id, published_at, tool_version from mart_build"
    )[0]
    return InForce(
        headline=reader.definition(),
        definitions=tuple(reader.registry),
        growth_reference=reader.growth_reference,
        curves=_curves(reader),
        measures=reader.connection.frame(
            "select measure, label, definition, unit, up_means, is_own from mart_measures"
        ),
        build=build,
        published_at=published_at,
        tool_version=tool_version,
    )


def _curves(reader: Reader) -> pl.DataFrame:
    """The curves at whole years, between the ages at which faces grow; a curve may be flat for a century after."""
    listed = reader.connection.frame(statement("warehouse.upkeep", "growth_curves.sql"))
    pieces = [
        {**{name: row[name] for name in ("measure", "label", "unit", "sex", "source")}, "age": age, "mean": mean}
        for row in listed.iter_rows(named=True)
        for age, mean in _yearly(row["ages"], row["means"])
    ]
    texts = dict.fromkeys(("measure", "label", "unit", "sex", "source"), pl.String)
    return pl.DataFrame(pieces, schema={**texts, "age": pl.Float64, "mean": pl.Float64})


def _yearly(ages: list[float], means: list[float]) -> list[tuple[float, float]]:
    low, high = max(ages[0], GROWING[0]), min(ages[-1], GROWING[1])
    years = [low, *(float(year) for year in range(ceil(low), int(high) + 1) if low < year < high), high]
    return [(year, float(np.interp(year, ages, means))) for year in years]
