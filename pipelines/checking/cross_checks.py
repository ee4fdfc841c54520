"""Checks that look from one table to another, and at rows of the same key: true where nothing is wrong."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from pipelines.checking.case_checks import holds
from pipelines.checking.tables import combined

if TYPE_CHECKING:
    from pipelines.checking.rules import Rule
    from pipelines.checking.tables import CheckedTables, Mask

READING_KEY = ("case", "timepoint", "examiner", "repeat_no")
_NOT_FINDINGS = (
    "file",
    "row",
    "case",
    "case_id",
    "timepoint",
    "records_taken",
    "months_from_start",
    "magnification_pct",
    "image_scale_mm_per_px",
    "porion_kind",
    "gonion_kind",
)


def key_is_unique(tables: CheckedTables, rule: Rule) -> Mask:
    """No other row of the load has the same key; rows with a blank in the key are not asked."""
    case = tables.case_numbers(rule.table)
    if rule.table == "cases":
        count = np.bincount(case, minlength=tables.n_cases + 1)
        count[tables.n_cases] = 0
        return count[case] < 2
    others = [name for name in rule.columns if name != "case_id"]
    complete = pl.all_horizontal(pl.col(name).is_not_null() for name in others) & (pl.col("case") < tables.n_cases)
    twice = combined(tables[rule.table], ["case", *others]).is_duplicated()
    return holds(tables[rule.table], ~(twice & complete))


def _not_among(frame: pl.DataFrame, copies: pl.DataFrame) -> Mask:
    right = np.ones(frame.height, dtype=np.bool_)
    found = frame.select("file", "row").with_row_index("position").join(copies, on=["file", "row"], how="semi")
    right[found["position"].to_numpy()] = False
    return right


def case_is_known(tables: CheckedTables, rule: Rule) -> Mask:
    """The case of the row stands in this load or an earlier one."""
    known = tables.known | tables.given
    known[tables.n_cases] = True
    return known[tables.case_numbers(rule.table)] | _of_wide(tables, rule.table)


def case_was_accepted(tables: CheckedTables, rule: Rule) -> Mask:
    """The row of the case was not turned away, or an earlier load knows the case."""
    accepted = tables.accepted | tables.known | ~tables.given
    return accepted[tables.case_numbers(rule.table)] | _of_wide(tables, rule.table)


def _of_wide(tables: CheckedTables, table: str) -> Mask:
    """Whether each row comes from a file of one row a case, where a row is made from that of its case."""
    of_wide: Mask = tables.wide[tables[table]["file"].to_numpy()]
    return of_wide


def one_sex_a_case(tables: CheckedTables, rule: Rule) -> Mask:
    """Rows of the same case agree on the sex."""
    case = tables.case_numbers("cases")
    right = np.ones(len(case), dtype=np.bool_)
    count = np.bincount(case, minlength=tables.n_cases + 1)
    count[tables.n_cases] = 0
    repeated = tables["cases"].with_row_index("position").filter(count[case] > 1)
    split = repeated.filter(pl.col("sex").drop_nulls().n_unique().over("case") > 1)
    right[split["position"].to_numpy()] = False
    return right


def untreated_has_no_appliance(tables: CheckedTables, rule: Rule) -> Mask:
    """A case observed without treatment has no phase with an appliance."""
    worn: Mask = tables.per_case("phases", pl.lit(1.0), pl.col("appliance_category") != "untreated") == 1.0
    untreated = holds(tables["cases"], pl.col("comparison") != "untreated")
    return untreated | ~worn[tables.case_numbers("cases")]


def treated_has_a_phase(tables: CheckedTables, rule: Rule) -> Mask:
    """A treated case that has finished has at least one phase."""
    phase: Mask = tables.per_case("phases", pl.lit(1.0)) == 1.0
    ended = (pl.col("comparison") == "treated") & (pl.col("status") == "finished")
    return holds(tables["cases"], ~ended) | phase[tables.case_numbers("cases")]


def _finish_records(tables: CheckedTables) -> Mask | None:
    """Whether a case has anything from its finish records; None where the load has no records of any kind."""
    if "visits" not in tables and "readings" not in tables:
        return None
    at_finish = pl.col("timepoint") == "finish"
    seen = np.zeros(tables.n_cases + 1, dtype=np.bool_)
    if "readings" in tables:
        seen |= tables.per_case("readings", pl.lit(1.0), at_finish, _any_value(tables), name="finish read") == 1.0
    if "visits" in tables:
        seen |= tables.per_case("visits", pl.lit(1.0), at_finish, _visited(tables), name="finish visit") == 1.0
    return seen


def _any_value(tables: CheckedTables) -> pl.Expr:
    """Whether a reading holds any value."""
    return pl.any_horizontal(pl.lit(value=False), *(pl.col(name).is_not_null() for name in tables.measure_columns()))


def _visited(tables: CheckedTables) -> pl.Expr:
    """Whether a visit holds a finding or says that records were taken.

    Where no readings were handed over at all, the visit itself is enough, unless it says that none were taken.
    """
    columns = tables["visits"].columns
    taken = pl.col("records_taken") if "records_taken" in columns else pl.lit(None, dtype=pl.String)
    findings = [pl.col(name).is_not_null() for name in columns if name not in _NOT_FINDINGS]
    seen = pl.any_horizontal(pl.lit("readings" not in tables), *findings, (taken == "yes").fill_null(value=False))
    return seen & taken.ne_missing(pl.lit("no"))


def finished_has_finish_records(tables: CheckedTables, rule: Rule) -> Mask:
    """A finished case has something from its finish records, where records were handed over at all."""
    seen = _finish_records(tables)
    if seen is None:
        return np.ones(tables["cases"].height, dtype=np.bool_)
    return holds(tables["cases"], pl.col("status") != "finished") | seen[tables.case_numbers("cases")]


def in_treatment_has_no_finish_records(tables: CheckedTables, rule: Rule) -> Mask:
    """A case still in treatment has nothing from finish records."""
    seen = _finish_records(tables)
    if seen is None:
        return np.ones(tables["cases"].height, dtype=np.bool_)
    return holds(tables["cases"], pl.col("status") != "in_treatment") | ~seen[tables.case_numbers("cases")]


def records_were_taken(tables: CheckedTables, rule: Rule) -> Mask:
    """Where a visit says that no records were taken, no value is given for that time."""
    visits = tables["visits"]
    right = np.ones(visits.height, dtype=np.bool_)
    without = visits.with_row_index("position").filter(pl.col("records_taken") == "no", pl.col("case") < tables.n_cases)
    if without.is_empty():
        return right
    values = tables["readings"].filter(_any_value(tables)).select("case", "timepoint")
    right[without.join(values, on=["case", "timepoint"], how="semi")["position"].to_numpy()] = False
    return right


def value_has_a_visit(tables: CheckedTables, rule: Rule) -> Mask:
    """The time of a value stands among the visits of its case, where visits of the case were handed over."""
    case, times = tables.case_numbers("measurements"), tables["measurements"]["timepoint"]
    visited: Mask = tables.per_case("visits", pl.lit(1.0)) == 1.0
    right: Mask = ~visited[case]
    for time in times.drop_nulls().unique():
        then: Mask = tables.per_case("visits", pl.lit(1.0), pl.col("timepoint") == time) == 1.0
        right |= (times == time).fill_null(value=False).to_numpy() & then[case]
    right |= times.is_null().to_numpy()
    return right


def given_twice(tables: CheckedTables) -> pl.DataFrame:
    """Values that stand both in a file of single values and in a file of one row a case.

    Returns:
        ``file`` and ``row`` of every copy of such a value, on both sides.
    """
    none = pl.DataFrame(schema={"file": pl.UInt16, "row": pl.UInt32})
    singles, readings = tables["measurements"], tables["readings"]
    wide = readings.filter(tables.wide[readings["file"].to_numpy()], pl.col("case") < tables.n_cases)
    wide = wide.join(singles.select(READING_KEY), on=READING_KEY, how="semi")
    if wide.is_empty():
        return none
    values = (
        wide.unpivot(tables.measure_columns(), index=["file", "row", *READING_KEY], variable_name="measure")
        .drop_nulls("value")
        .join(singles.select("file", "row", *READING_KEY, "measure"), on=[*READING_KEY, "measure"], suffix="_single")
    )
    singles_given = values.select(pl.col("file_single").alias("file"), pl.col("row_single").alias("row"))
    return pl.concat([values.select("file", "row"), singles_given]).unique()


def value_agrees_with_points(tables: CheckedTables, rule: Rule) -> Mask:
    """A value typed in is about the one that follows from the points of the same reading; without points: not asked."""
    singles, readings = tables["measurements"], tables["readings"]
    made = readings.filter(pl.col("file").is_in(tables["landmarks"]["file"].unique().implode()))
    codes = [code for code in tables.measure_columns() if made[code].null_count() < made.height]
    right = np.ones(singles.height, dtype=np.bool_)
    if not codes:
        return right
    values = made.filter(pl.col("case") < tables.n_cases).unpivot(codes, index=READING_KEY, variable_name="measure")
    beside = singles.select(*READING_KEY, "measure", typed="value").with_row_index("position")
    pairs = beside.join(values.drop_nulls("value"), on=[*READING_KEY, "measure"])
    off = pairs.filter((pl.col("typed") - pl.col("value")).abs() > rule.number("within") + 1e-9)
    right[off["position"].to_numpy()] = False
    return right


def reading_given_once(tables: CheckedTables, rule: Rule) -> Mask:
    """No value of a row of a file of one row a case is also given in a file of single values."""
    return _not_among(tables["readings"], given_twice(tables)) | ~_of_wide(tables, "readings")


def value_given_once(tables: CheckedTables, rule: Rule) -> Mask:
    """No value of a file of single values also stands in a file of one row a case."""
    return _not_among(tables["measurements"], given_twice(tables))
