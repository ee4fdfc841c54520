"""Finds rows whose measures contradict each other, and names the likely cause, by ``plausibility.toml``."""

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

import polars as pl

from warehouse.measures.catalogue import PAR_WEIGHTS

#: Values read to the nearest degree are off by up to half a degree each, and so may be their sum.
TOLERANCE_PER_VALUE = 0.5
_RESULTS = {"rule": pl.String, "sentence": pl.String, "difference": pl.Float64, "tolerance": pl.Float64}
_TOTALS = {
    name: " + ".join(f"{weight} * {code}" for code, weight in total.terms) for name, total in PAR_WEIGHTS.items()
}


@dataclass(frozen=True, slots=True)
class Cause:
    """A likely cause: if ``difference`` is within tolerance, or ``holds`` is true, this is what went wrong."""

    text: str
    difference: pl.Expr | None = None  # What the rule's difference would be after putting it right
    holds: pl.Expr | None = None  # A condition, where no difference can be given

    def fits(self, columns: Sequence[str], tolerance: float | None) -> pl.Expr | None:
        """Where it explains the break; None if a measure it needs has no column."""
        asked = self.holds if self.difference is None else _within(self.difference, tolerance)
        return asked if asked is not None and set(asked.meta.root_names()) <= set(columns) else None


@dataclass(frozen=True, slots=True, kw_only=True)
class PlausibilityRule:
    """One check between measures; the head of ``plausibility.toml`` says what the fields mean."""

    id: str
    sentence: str
    codes: tuple[str, ...]
    otherwise: str
    difference: pl.Expr | None = None
    values: int = 0
    tolerance: float | None = None
    broken: pl.Expr | None = None
    causes: tuple[Cause, ...] = ()


def _read(table: Mapping[str, Any]) -> dict[str, Any]:
    """A table of the file with its SQL made into expressions."""
    asked = {
        name: pl.sql_expr(table[name].format_map(_TOTALS))
        for name in ("difference", "broken", "holds")
        if name in table
    }
    return {**table, **asked}


PLAUSIBILITY_RULES = tuple(
    PlausibilityRule(
        **{
            **_read(table),
            "codes": tuple(table["codes"]),
            "causes": tuple(Cause(**_read(cause)) for cause in table.get("causes", ())),
        }
    )
    for table in tomllib.loads(files("warehouse.measures").joinpath("plausibility.toml").read_text(encoding="utf-8"))[
        "rules"
    ]
)


def check_plausibility(
    wide: pl.DataFrame,
    *,
    keys: Sequence[str] = ("case_id", "timepoint"),
    rules: Sequence[PlausibilityRule] = PLAUSIBILITY_RULES,
    tolerance_per_value: float = TOLERANCE_PER_VALUE,
) -> pl.DataFrame:
    """Find the rows whose measures contradict each other.

    ``wide``: one row a tracing (or a case and time), one column a measure code; any measure may be absent or null.
    ``keys``: the columns that name a row. ``rules``: the rules to apply; one whose measures have no column is passed
    over. ``tolerance_per_value``: slack for each value read, in degrees: 0.5 for values read to the nearest degree,
    1e-9 for values computed from one set of points. Gives one row a broken rule: the keys, ``rule`` (id), ``sentence``,
    ``difference`` (null for rules that are no identity), ``tolerance`` (same) and ``likely_cause``. Empty if nothing is
    broken.
    """
    nothing = pl.DataFrame(schema={**{key: wide.schema[key] for key in keys}, **_RESULTS, "likely_cause": pl.String})
    asked = [rule for rule in rules if set(rule.codes) <= set(wide.columns)]
    return pl.concat([nothing, *(_breaches(wide, keys, rule, tolerance_per_value) for rule in asked)])


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
    cause = pl.lit(rule.otherwise)
    for candidate in reversed(rule.causes):
        fits = candidate.fits(wide.columns, tolerance)
        cause = cause if fits is None else pl.when(fits).then(pl.lit(candidate.text)).otherwise(cause)
    return numbers.filter(known & broken).select(
        *keys,
        pl.lit(rule.id).alias("rule"),
        pl.lit(rule.sentence).alias("sentence"),
        difference.alias("difference"),
        pl.lit(tolerance, pl.Float64).alias("tolerance"),
        cause.alias("likely_cause"),
    )


def _within(difference: pl.Expr, tolerance: float | None) -> pl.Expr:
    # A hair more than the tolerance, so that 0.5 read as 0.5000000001 in binary does not break a rule.
    return difference.abs() <= (tolerance or 0.0) + 1e-9
