"""One CSV file of any number of invented cases, written chunk by chunk."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl

from synthetic_data.exports import make_cohort, wide_frame
from synthetic_data.practices import LANTERN_BAY
from synthetic_data.settings import Settings

CHUNK = 100_000
MEASURES = ("sn_gogn_deg", "facial_axis_deg", "lafh_mm", "tafh_mm", "lafh_direct_pct", "overjet_mm")
COLUMNS = (
    "case_id",
    "sex",
    "age_at_start",
    "cvm_stage",
    "incisor_class",
    "extracted_teeth",
    "start_quarter",
    "selection",
    "status",
    "comparison",
    "clinician",
    "phase_1_appliance_category",
    "months_from_start_finish",
    *(f"{measure}_{timepoint}" for timepoint in ("start", "finish") for measure in MEASURES),
)


def large_wide_csv(path: Path, n: int, seed: int) -> Path:
    """Write ``n`` invented cases as one CSV file, chunk by chunk. The same n and seed give the same bytes."""
    rng = np.random.default_rng(seed)
    with path.open("wb") as file:
        for number, start in enumerate(range(0, n, CHUNK)):
            frame = _chunk(number, min(CHUNK, n - start), rng)
            frame.write_csv(file, include_header=number == 0)
    return path


def _chunk(number: int, n: int, rng: np.random.Generator) -> pl.DataFrame:
    """Cases numbered within the chunk; the chunk's letters keep the numbers apart."""
    first, second = divmod(number, 26)
    practice = replace(
        LANTERN_BAY[0],
        code=f"{chr(65 + first)}{chr(65 + second)}X",
        n_treated=n,
        n_examiners=1,
        repeats=0.0,
        measures=MEASURES,
    )
    cohort = make_cohort(Settings(practices=(practice,), progress_share=0.0, follow_up_share=0.0), rng)
    return wide_frame(cohort).select(COLUMNS)
