"""The tabular export: one CSV file a contract table."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from synthetic_data.tracing import FORMULAS

if TYPE_CHECKING:
    from pathlib import Path

    from synthetic_data.cohort import Cohort


def tables(cohort: Cohort) -> dict[str, pl.DataFrame]:
    """Contract table -> rows as handed over; columns without any value are left out.

    Where a practice hands over points instead of values, the measures that follow from points are left out.
    """
    frames = {
        "cases": cohort.cases.drop("practice"),
        "phases": cohort.phases,
        "visits": cohort.visits,
        "measurements": _without_derived(cohort),
        "landmarks": cohort.landmarks,
    }
    return {name: _without_empty(frame) for name, frame in frames.items() if frame.height}


def write_tabular(cohort: Cohort, folder: Path) -> tuple[Path, ...]:
    """Write the tables of a cohort into a folder, which is made if it is not there; gives the files."""
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for name, frame in tables(cohort).items():
        path = folder / f"{name}.csv"
        frame.write_csv(path)
        paths.append(path)
    return tuple(paths)


def _without_derived(cohort: Cohort) -> pl.DataFrame:
    measurements = cohort.measurements()
    instead = [p.code for p in cohort.settings.practices if p.landmarks == "instead"]
    traced = cohort.cases.filter(pl.col("practice").is_in(instead))["case_id"]
    return measurements.filter(~(pl.col("case_id").is_in(traced.implode()) & pl.col("measure").is_in(list(FORMULAS))))


def _without_empty(frame: pl.DataFrame) -> pl.DataFrame:
    return frame.select(column for column in frame if column.null_count() < frame.height)
