"""Findings on measures made from points, told where a person can mend them: at the points.

A measure that its rule turns away turns away the points it is made of, since one of them is wrong; where several
measures of a reading are turned away and share a point, only the points they share go. What follows from other points
stays. A remark is made once, at the first point of the reading.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from pipelines.points.tracing import POINTS, READING_OF_POINTS, TRACING, points_of, usual_codes
from warehouse.measures.catalogue import CATALOGUE

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from pipelines.checking.rules import Rule
    from pipelines.contract.delivery import Delivery

_WHERE = ("x", "y")


def told_at_their_points(
    found: pl.DataFrame, rules: Mapping[str, Rule], deliveries: Sequence[Delivery]
) -> pl.DataFrame:
    """Findings in which those on readings made from points stand at the rows of the points.

    Args:
        found: Findings of a load; those on a reading made from points name the row of its first point.
        rules: The rules by id.
        deliveries: The files of the load.

    Returns:
        Findings of the same columns. What was found names the measure, since the row of a point does not show it.
    """
    told = found
    for file, delivery in enumerate(deliveries):
        if POINTS in delivery.tables and "readings" in delivery.tables:
            mine = (pl.col("file") == file) & (pl.col("table") == "measurements")
            told = pl.concat([told.filter(~mine), _of_file(told.filter(mine), rules, delivery)])
    return told


def _of_file(found: pl.DataFrame, rules: Mapping[str, Rule], delivery: Delivery) -> pl.DataFrame:
    remarks, spread = [found.clear()], []
    for (rule_id,), rows in found.partition_by("rule", as_dict=True, maintain_order=True).items():
        rule = rules[str(rule_id)]
        told = _worded(rule, rows.unique("row", keep="first", maintain_order=True), delivery)
        if rule.severity == "warn":
            remarks.append(told)
        else:
            spread.append(_at_points(rule, told, delivery))
    return pl.concat([*remarks, *([_shared(pl.concat(spread)).select(found.columns)] if spread else [])])


def _worded(rule: Rule, rows: pl.DataFrame, delivery: Delivery) -> pl.DataFrame:
    codes = _codes(rule, delivery)
    named = pl.format(f"{codes[0]} {{}}", "found") if len(rule.columns) == 1 and codes else pl.col("found")
    return rows.with_columns(
        found=pl.format("{} (from the points)", named), table=pl.lit(POINTS), column=pl.lit(None, dtype=pl.String)
    )


def _codes(rule: Rule, delivery: Delivery) -> list[str]:
    return [code for code in rule.columns if code in delivery.tables["readings"].columns]


def _at_points(rule: Rule, rows: pl.DataFrame, delivery: Delivery) -> pl.DataFrame:
    """The findings of one rule, one row a point, with ``first``, the row of the reading."""
    where = ", ".join(delivery.columns.get(name, name) for name in _WHERE)
    at = _rows_of_points(rows.select("row"), _codes(rule, delivery), delivery)
    spread = at.join(rows.rename({"row": "first"}), on="first", how="inner", maintain_order="left")
    return spread.with_columns(column=pl.lit(where)).cast({"row": rows.schema["row"]})


def _shared(spread: pl.DataFrame) -> pl.DataFrame:
    """Where some points belong to every measure turned away of a reading, only those: they explain all of it."""
    of_reading = spread.group_by("first").agg(pl.col("rule").n_unique().alias("n_rules"))
    of_point = spread.group_by("first", "row").agg(pl.col("rule").n_unique().alias("n_of_point"))
    counted = of_point.join(of_reading, on="first").with_columns(explains=(pl.col("n_of_point") == pl.col("n_rules")))
    kept = counted.filter(pl.col("explains") | ~pl.col("explains").any().over("first")).select("first", "row")
    return spread.join(kept, on=["first", "row"], how="semi", maintain_order="left")


def _rows_of_points(first: pl.DataFrame, codes: Sequence[str], delivery: Delivery) -> pl.DataFrame:
    """``first`` (row of the reading) and ``row`` (row of a point that the measures are made of)."""
    readings = delivery.tables["readings"]
    points = usual_codes(delivery.tables[POINTS]).select("row", *TRACING, "landmark")
    parts = []
    for code in codes:
        placed = readings.select(pl.col("row").alias("first"), *READING_OF_POINTS).with_columns(
            delivery.value_views[code].alias("view"), there=readings[code].is_not_null()
        )
        concerned = placed.filter("there").join(first, left_on="first", right_on="row", how="semi")
        of_measure = points.filter(pl.col("landmark").is_in(points_of(CATALOGUE[code])))
        parts.append(of_measure.join(concerned, on=list(TRACING)).select("first", "row"))
    nothing = first.select(pl.col("row").alias("first"), "row").clear()
    return pl.concat([nothing, *parts]).unique().sort("first", "row")
