"""Checks on the order of phases and visits in time: true where the row is right or the question does not arise."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import polars as pl

if TYPE_CHECKING:
    from pipelines.checking.rules import Rule
    from pipelines.checking.tables import CheckedTables, Mask, Numbers


def _right_unless(tables: CheckedTables, wrong: pl.Expr) -> Mask:
    """True for every phase but those that are wrong beside the phase before them (``before_*`` columns).

    Only cases with a phase numbered above 1 are put in order; all others have nothing before them.
    """
    phases = tables["phases"]
    right = np.ones(phases.height, dtype=np.bool_)
    later = phases["phase_no"].to_numpy() > 1
    several = np.zeros(tables.n_cases + 1, dtype=np.bool_)
    several[tables.case_numbers("phases")[later]] = True
    several[tables.n_cases] = False
    ordered = (
        phases.with_row_index("position")
        .filter(several[tables.case_numbers("phases")])
        .sort("case", "phase_no")
        .with_columns(
            pl.col(name).shift(1).over("case").alias(f"before_{name}")
            for name in ("phase_no", "months_from_start", "months_duration")
            if name in phases.columns
        )
    )
    right[ordered.filter(wrong)["position"].to_numpy()] = False
    return right


def phase_begins_after_previous(tables: CheckedTables, rule: Rule) -> Mask:
    """Phases begin in the order of their numbers; two may begin together."""
    return _right_unless(tables, pl.col("months_from_start") < pl.col("before_months_from_start"))


def phase_numbers_run_on(tables: CheckedTables, rule: Rule) -> Mask:
    """Phase numbers are 1, 2, 3 without one left out."""
    return _right_unless(tables, pl.col("phase_no") > pl.col("before_phase_no").fill_null(0) + 1)


def phases_overlap_little(tables: CheckedTables, rule: Rule) -> Mask:
    """A phase does not begin long before the phase before it ends."""
    before_ends = pl.col("before_months_from_start") + pl.col("before_months_duration")
    return _right_unless(tables, before_ends - pl.col("months_from_start") > rule.number("months"))


def phases_lie_close(tables: CheckedTables, rule: Rule) -> Mask:
    """A phase does not begin years after the phase before it ends."""
    before_ends = pl.col("before_months_from_start") + pl.col("before_months_duration")
    return _right_unless(tables, pl.col("months_from_start") - before_ends > rule.number("months"))


def _visits_at(tables: CheckedTables, timepoint: str) -> tuple[Mask, Numbers]:
    """Which visits are of that time, and the months from start of every visit (NaN where not told)."""
    visits = tables["visits"]
    at = visits.select((pl.col("timepoint") == timepoint).fill_null(value=False))["timepoint"].to_numpy()
    return at, visits["months_from_start"].cast(pl.Float64).to_numpy()


def _start(tables: CheckedTables) -> Numbers:
    """Months of the start records per case; 0 where not told, since months are counted from them."""
    return np.nan_to_num(tables.months("start"), nan=0.0)


def finish_after_start(tables: CheckedTables, rule: Rule) -> Mask:
    """The finish records are later than the start records."""
    at, months = _visits_at(tables, "finish")
    return ~(at & (months <= _start(tables)[tables.case_numbers("visits")]))


def start_is_at_start(tables: CheckedTables, rule: Rule) -> Mask:
    """The start records lie at month 0, within a few months."""
    at, months = _visits_at(tables, "start")
    return ~(at & (np.abs(months) > rule.number("months")))


def progress_between_start_and_finish(tables: CheckedTables, rule: Rule) -> Mask:
    """Progress records lie after the start and before the finish records."""
    at, months = _visits_at(tables, "progress")
    case = tables.case_numbers("visits")
    return ~(at & ((months <= _start(tables)[case]) | (months >= tables.months("finish")[case])))


def follow_up_after_finish(tables: CheckedTables, rule: Rule) -> Mask:
    """Follow-up records are later than the finish records, or than the start records where those are missing."""
    at, months = _visits_at(tables, "follow_up")
    finish = tables.months("finish")
    last = np.where(np.isnan(finish), _start(tables), finish)
    return ~(at & (months <= last[tables.case_numbers("visits")]))


def observed_time_is_usual(tables: CheckedTables, rule: Rule) -> Mask:
    """The time from start to finish is neither a few weeks nor many years."""
    at, months = _visits_at(tables, "finish")
    observed = months - _start(tables)[tables.case_numbers("visits")]
    return ~(at & ((observed < rule.number("shortest")) | (observed > rule.number("longest"))))


def same_kind_as_at_start(tables: CheckedTables, rule: Rule) -> Mask:
    """A landmark was marked by the same convention as on the start records."""
    of_kind = pl.col(rule.columns[1]) == rule.arguments["kind"]
    start = tables.per_case("visits", of_kind, pl.col("timepoint") == "start", name=rule.columns[1])
    first = start[tables.case_numbers("visits")]
    now = tables["visits"].select(of_kind.cast(pl.Float64).alias("kind"))["kind"].to_numpy()
    same: Mask = (first == now) | np.isnan(first) | np.isnan(now)
    return same


def enlarged_as_at_start(tables: CheckedTables, rule: Rule) -> Mask:
    """The enlargement is that of the start radiograph, or stated at neither time; without a start visit: not asked."""
    case = tables.case_numbers("visits")
    at_start = pl.col("timepoint") == "start"
    there: Mask = tables.per_case("visits", pl.lit(1.0), at_start) == 1.0
    first = tables.per_case("visits", pl.col("magnification_pct"), at_start, name="enlargement at start")[case]
    now = tables["visits"]["magnification_pct"].cast(pl.Float64).to_numpy()
    same: Mask = (first == now) | (np.isnan(first) & np.isnan(now)) | ~there[case]
    return same


def phase_ends_by_finish(tables: CheckedTables, rule: Rule) -> Mask:
    """A phase does not go on long after the finish records."""
    phases = tables["phases"]
    ends = phases.select((pl.col("months_from_start") + pl.col("months_duration")).cast(pl.Float64).alias("end"))
    late = ends["end"].to_numpy() - tables.months("finish")[tables.case_numbers("phases")]
    return ~(late > rule.number("months"))
