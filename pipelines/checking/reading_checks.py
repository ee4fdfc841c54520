"""Checks on the values of one reading and on readings beside each other: true where nothing is wrong."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from pipelines.checking.case_checks import holds
from warehouse.measures.plausibility import PLAUSIBILITY_RULES, check_plausibility, tolerance_of

if TYPE_CHECKING:
    from pipelines.checking.rules import Rule
    from pipelines.checking.tables import CheckedTables, Mask

PLAUSIBLE = {rule.id: rule for rule in PLAUSIBILITY_RULES}
SLACK = 1e-9
"""So that a difference of exactly the tolerance, written in binary, does not break a rule."""
EARLIER = {"progress": "start", "finish": "start", "follow_up": "finish"}
"""With which earlier records those of a time are compared."""


def _weighted_sum(rule: Rule) -> pl.Expr:
    """The sum of the rule's columns, each times its weight."""
    parts = [pl.col(name) * float(weight) for name, weight in zip(rule.columns, rule.arguments["weights"], strict=True)]
    return sum(parts[1:], start=parts[0])


def sum_agrees(tables: CheckedTables, rule: Rule) -> Mask:
    """A weighted sum of values equals its total within a tolerance; any value missing: not asked."""
    off = (_weighted_sum(rule) - rule.number("total")).abs()
    return holds(tables["readings"], off <= rule.number("within") + SLACK)


def measures_agree(tables: CheckedTables, rule: Rule) -> Mask:
    """A plausibility rule of the measures holds, or is not far from holding where ``within`` is given."""
    plausible = PLAUSIBLE[rule.arguments["rule"]]
    complete = pl.all_horizontal(pl.col(code).is_not_null() for code in plausible.codes)
    if plausible.difference is not None:
        within = rule.arguments.get("within", tolerance_of(plausible))
        return holds(tables["readings"], (plausible.difference.abs() <= within + SLACK) | ~complete)
    broken = pl.lit(value=False) if plausible.broken is None else plausible.broken
    return holds(tables["readings"], ~(broken & complete))


def likely_causes(readings: pl.DataFrame, rule: Rule) -> pl.Series:
    """What probably went wrong in readings that break a plausibility rule; text of shape (rows,)."""
    keyed = readings.with_row_index("place")
    causes = check_plausibility(keyed, keys=["place"], rules=[PLAUSIBLE[rule.arguments["rule"]]])
    named = keyed.select("place").join(causes, on="place", how="left", maintain_order="left")
    return named["likely_cause"]


def overjet_fits_class(tables: CheckedTables, rule: Rule) -> Mask:
    """The overjet at start lies within the limits of one incisor class (other classes are not asked)."""
    if "incisor_class" not in tables["cases"].columns:
        return np.ones(tables["readings"].height, dtype=np.bool_)
    name = rule.arguments["class"]
    of_class: Mask = tables.per_case("cases", pl.col("incisor_class") == name, name=f"class {name}") == 1.0
    outside = ~pl.col("overjet_mm").is_between(rule.number("low"), rule.number("high"))
    right = holds(tables["readings"], ~(outside & (pl.col("timepoint") == "start")))
    return right | ~of_class[tables.case_numbers("readings")]


def _measured(tables: CheckedTables) -> list[str]:
    """Measures read off with a decimal: scores are whole numbers, and equal ones mean nothing."""
    return [name for name in tables.measure_columns() if not tables.measures[name].integer_valued]


def _copied(counts: pl.DataFrame, at_least: float) -> pl.Series:
    """Positions where all of enough pairs are equal, of a frame with ``position``, ``compared``, ``equal``."""
    copied = (pl.col("compared") >= at_least) & (pl.col("compared") == pl.col("equal"))
    return counts.filter(copied)["position"]


def _counted(pairs: pl.DataFrame, names: list[str]) -> pl.DataFrame:
    """How many measures are there on both sides of each pair (``before_*`` beside plain), how many are equal."""
    equal = [(pl.col(name) == pl.col(f"before_{name}")) for name in names]
    return pairs.select(
        "position",
        pl.sum_horizontal(one.is_not_null() for one in equal).alias("compared"),
        pl.sum_horizontal(one.fill_null(value=False) for one in equal).alias("equal"),
    )


def not_copied_from_earlier_time(tables: CheckedTables, rule: Rule) -> Mask:
    """Not all of several values equal those of the earlier records of the case (first readings compared)."""
    readings, names = tables["readings"], _measured(tables)
    right = np.ones(readings.height, dtype=np.bool_)
    at_least = rule.number("at_least")
    if len(names) < at_least:
        return right
    first = readings.lazy().with_row_index("position").filter(pl.col("repeat_no") == 1, pl.col("case") < tables.n_cases)
    for time, earlier in EARLIER.items():
        before = first.filter(pl.col("timepoint") == earlier).select(
            "case", *(pl.col(n).alias(f"before_{n}") for n in names)
        )
        # One equal value decides whether the others need looking at, which spares nearly every pair.
        pairs = first.filter(pl.col("timepoint") == time).select("position", "case", *names).join(before, on="case")
        some = pl.any_horizontal(pl.col(n) == pl.col(f"before_{n}") for n in names)
        right[_copied(_counted(pairs.filter(some).collect(), names), at_least).to_numpy()] = False
    return right


def repeat_not_copied(tables: CheckedTables, rule: Rule) -> Mask:
    """Not all of several values of a second reading equal those of the first by the same examiner."""
    readings, names = tables["readings"], _measured(tables)
    right = np.ones(readings.height, dtype=np.bool_)
    key = ["case", "timepoint", "examiner"]
    repeats = readings.with_row_index("position").filter(pl.col("repeat_no") > 1)
    if repeats.is_empty() or not names:
        return right
    first = readings.filter(pl.col("repeat_no") == 1).join(repeats.select(key), on=key, how="semi")
    before = first.select(*key, *(pl.col(name).alias(f"before_{name}") for name in names))
    pairs = repeats.select("position", *key, *names).join(before, on=key)
    right[_copied(_counted(pairs, names), rule.number("at_least")).to_numpy()] = False
    return right
