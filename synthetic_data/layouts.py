"""The exports in contract names: one CSV file a contract table, or one row a case as CSV or as a workbook."""

from __future__ import annotations

from pathlib import Path

import polars as pl

from synthetic_data.cohort import Cohort
from synthetic_data.practices import CORE
from synthetic_data.readings import READING_KEY
from synthetic_data.tracing import FORMULAS
from synthetic_data.visits import TIMEPOINTS

REPEATED = CORE
"""Measures whose second readings have columns of their own."""


def wide_frame(cohort: Cohort) -> pl.DataFrame:
    """One row a case in the order of ``cohort.cases``: cases, phases, then visits and readings by timepoint.

    Columns without any value are left out. A wide file has no column for the examiner, so it suits a practice with
    one.
    """
    wide = cohort.cases.drop("practice")
    for number in cohort.phases["phase_no"].unique().sort():
        wide = _joined(
            wide, cohort.phases.filter(pl.col("phase_no") == number).drop("phase_no"), f"phase_{number}_", ""
        )
    for timepoint in TIMEPOINTS:
        at = pl.col("timepoint") == timepoint
        wide = _joined(wide, cohort.visits.filter(at).drop("timepoint"), "", f"_{timepoint}")
        first = cohort.readings.filter(at, pl.col("repeat_no") == 1).drop("timepoint", "examiner", "repeat_no")
        wide = _joined(wide, first, "", f"_{timepoint}")
        again = cohort.readings.filter(at, pl.col("repeat_no") == 2)
        again = again.select("case_id", *(name for name in again.columns if name in REPEATED))
        wide = _joined(wide, again, "", f"_{timepoint}_repeat2")
    return wide.select(column for column in wide if column.null_count() < wide.height)


def _joined(wide: pl.DataFrame, part: pl.DataFrame, before: str, after: str) -> pl.DataFrame:
    named = part.rename({name: f"{before}{name}{after}" for name in part.columns if name not in READING_KEY})
    return wide.join(named, on="case_id", how="left", maintain_order="left")


def write_workbook(frame: pl.DataFrame, path: Path, *, sheet: str = "cases") -> Path:
    """Write a frame as the only sheet of an XLSX workbook, with the names in the first row."""
    from openpyxl import Workbook

    book = Workbook(write_only=True)
    page = book.create_sheet(sheet)
    page.freeze_panes = "B2"
    page.append(frame.columns)
    for row in frame.iter_rows():
        page.append(row)
    book.save(path)
    return path


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
