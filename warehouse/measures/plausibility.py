"""Finds rows whose measures contradict each other, and names the likely cause; the rules are data."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from warehouse.measures.plausibility_rules import PLAUSIBILITY_RULES, TOLERANCE_PER_VALUE, PlausibilityRule

__all__ = ["PLAUSIBILITY_RULES", "PlausibilityRule", "check_plausibility", "tolerance_of"]


def check_plausibility(
    wide: pl.DataFrame,
    *,
    keys: Sequence[str] = ("case_id", "timepoint"),
    rules: Sequence[PlausibilityRule] = PLAUSIBILITY_RULES,
    tolerance_per_value: float = TOLERANCE_PER_VALUE,
) -> pl.DataFrame:
    """Find the rows whose measures contradict each other.

    Args:
        wide: One row a tracing (or a case and time), one column a measure code; any measure may be absent or null.
        keys: The columns that name a row.
        rules: The rules to apply; one whose measures have no column is passed over.
        tolerance_per_value: Slack for each value read, in degrees: 0.5 for values read to the nearest degree,
            1e-9 for values computed from one set of points.

    Returns:
        One row a broken rule: the keys, ``rule`` (id), ``sentence``, ``difference`` (null for rules that are no
        identity), ``tolerance`` (same) and ``likely_cause``. Empty if nothing is broken.
    """
    found = [_breaches(wide, keys, rule, tolerance_per_value) for rule in rules if set(rule.codes) <= set(wide.columns)]
    return pl.concat(found) if found else _nothing(wide, keys)


def _nothing(wide: pl.DataFrame, keys: Sequence[str]) -> pl.DataFrame:
    return (
        wide.select(keys)
        .clear()
        .with_columns(
            pl.lit(None, pl.String).alias("rule"),
            pl.lit(None, pl.String).alias("sentence"),
            pl.lit(None, pl.Float64).alias("difference"),
            pl.lit(None, pl.Float64).alias("tolerance"),
            pl.lit(None, pl.String).alias("likely_cause"),
        )
    )


def tolerance_of(rule: PlausibilityRule, tolerance_per_value: float = TOLERANCE_PER_VALUE) -> float | None:
    """The tolerance of an identity; None for a rule that is none."""
    if rule.difference is None:
        return None
    return rule.values * tolerance_per_value if rule.tolerance is None else rule.tolerance


def _breaches(
    wide: pl.DataFrame, keys: Sequence[str], rule: PlausibilityRule, tolerance_per_value: float
) -> pl.DataFrame:
    tolerance = tolerance_of(rule, tolerance_per_value)
    difference = pl.lit(None, pl.Float64) if rule.difference is None else rule.difference.cast(pl.Float64)
    broken = rule.broken if rule.broken is not None else ~_within(difference, tolerance)
    known = pl.all_horizontal(pl.col(code).is_not_null() & pl.col(code).is_finite() for code in rule.codes)
    numbers = wide.with_columns(pl.col(*rule.codes).cast(pl.Float64))
    return numbers.filter(known & broken).select(
        *keys,
        pl.lit(rule.id).alias("rule"),
        pl.lit(rule.sentence).alias("sentence"),
        difference.alias("difference"),
        pl.lit(tolerance, pl.Float64).alias("tolerance"),
        _likely_cause(rule, wide.columns, tolerance).alias("likely_cause"),
    )


def _within(difference: pl.Expr, tolerance: float | None) -> pl.Expr:
    # A hair more than the tolerance, so that 0.5 read as 0.5000000001 in binary does not break a rule.
    return difference.abs() <= (tolerance or 0.0) + 1e-9


def _likely_cause(rule: PlausibilityRule, columns: Sequence[str], tolerance: float | None) -> pl.Expr:
    cause = pl.lit(rule.otherwise)
    for candidate in reversed(rule.causes):
        if not set(candidate.codes) <= set(columns):
            continue
        fits = pl.lit(False) if candidate.holds is None else candidate.holds
        if candidate.difference is not None:
            fits = _within(candidate.difference, tolerance)
        cause = pl.when(fits).then(pl.lit(candidate.text)).otherwise(cause)
    return cause
