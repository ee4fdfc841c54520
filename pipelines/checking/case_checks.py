"""Checks on the rows of ``cases``: true where the row is right or the question does not arise."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import polars as pl

if TYPE_CHECKING:
    from pipelines.checking.rules import Rule
    from pipelines.checking.tables import CheckedTables, Mask

TOOTH = r"(?:[1-4][1-8]|[5-8][1-5])"
PERMANENT = r"\b[1-4][1-8]\b"
DECIDUOUS = r"\b[5-8][1-5]\b"


def holds(frame: pl.DataFrame, condition: pl.Expr) -> Mask:
    """A condition as a truth array of shape (rows,); null counts as true."""
    return frame.select(condition.fill_null(value=True).alias("holds"))["holds"].to_numpy()


def extracted_teeth_existed(tables: CheckedTables, rule: Rule) -> Mask:
    """No tooth is both extracted and absent."""
    extracted, absent = (pl.col(name).str.extract_all(TOOTH) for name in rule.columns)
    both = pl.all_horizontal(pl.col(name).str.len_bytes() > 0 for name in rule.columns).fill_null(value=False)
    right = np.ones(tables["cases"].height, dtype=np.bool_)
    asked = tables["cases"].with_row_index("position").filter(both)
    shared = asked.select("position", extracted.list.set_intersection(absent).list.len().alias("n")).filter(
        pl.col("n") > 0
    )
    right[shared["position"].to_numpy()] = False
    return right


def permanent_extractions_fit_age(tables: CheckedTables, rule: Rule) -> Mask:
    """No permanent tooth is extracted in a child too young to have one."""
    young = pl.col("age_at_start") < rule.number("youngest")
    return holds(tables["cases"], ~(young & pl.col("extracted_teeth").str.contains(PERMANENT)))


def deciduous_extractions_fit_age(tables: CheckedTables, rule: Rule) -> Mask:
    """No deciduous tooth is extracted in a grown person."""
    old = pl.col("age_at_start") > rule.number("oldest")
    return holds(tables["cases"], ~(old & pl.col("extracted_teeth").str.contains(DECIDUOUS)))


def cvm_stage_fits_age(tables: CheckedTables, rule: Rule) -> Mask:
    """The vertebral stage lies within the ages at which it is seen."""
    stage = pl.col("cvm_stage").cast(pl.String)
    low = stage.replace_strict({code: ages[0] for code, ages in rule.arguments.items()}, default=None)
    high = stage.replace_strict({code: ages[1] for code, ages in rule.arguments.items()}, default=None)
    return holds(tables["cases"], pl.col("age_at_start").is_between(low, high))


def started_since(tables: CheckedTables, rule: Rule) -> Mask:
    """The quarter of the start (YYYY-Qn) is not before the first one allowed; quarters sort as text."""
    return holds(tables["cases"], pl.col("start_quarter") >= rule.arguments["first_quarter"])


def untreated_keeps_teeth(tables: CheckedTables, rule: Rule) -> Mask:
    """An untreated comparison has no extractions."""
    extracted = pl.col("extracted_teeth").str.contains(TOOTH)
    return holds(tables["cases"], ~((pl.col("comparison") == "untreated") & extracted))
