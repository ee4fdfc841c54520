"""Points files made of the invented face G1, and a door that loads them."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import polars as pl

from pipelines.ingest.ingest import Outcome, Request, ingest

REFERENCE = json.loads((Path(__file__).parents[2] / "reference" / "measure-check-values.json").read_text("utf-8"))
G1: dict[str, tuple[float, float]] = {code: (x, y) for code, (x, y) in REFERENCE["face_g1"]["points"].items()}
LIPS = {"Stms": (85.0, -70.0), "Stmi": (85.0, -72.0)}
Points = Mapping[str, tuple[float, float]]


def rows_of(case: str, timepoint: str, points: Points, **said: Any) -> list[dict[str, Any]]:
    """One tracing as rows of the contract."""
    words = {"view": "lateral_radiograph", "unit": "mm", "y_axis": "up", "faces": "right", **said}
    return [
        {"case_id": case, "timepoint": timepoint, "landmark": code, "x": x, "y": y, **words}
        for code, (x, y) in points.items()
    ]


def cases_of(*cases: str) -> pl.DataFrame:
    said = {
        "sex": "female",
        "age_at_start": 10.0,
        "selection": "consecutive",
        "status": "finished",
        "comparison": "treated",
    }
    return pl.DataFrame({"case_id": cases}).with_columns(pl.lit(value).alias(name) for name, value in said.items())


def visits_of(*cases: str, **said: Any) -> pl.DataFrame:
    rows = [
        {"case_id": case, "timepoint": time, "months_from_start": months, **said}
        for case in cases
        for time, months in (("start", 0.0), ("finish", 24.0))
    ]
    return pl.DataFrame(rows)


def phases_of(*cases: str) -> pl.DataFrame:
    return pl.DataFrame({"case_id": cases}).with_columns(
        phase_no=pl.lit(1), appliance_category=pl.lit("fixed_labial"), months_from_start=pl.lit(0.0)
    )


def take_in(folder: Path, **files: pl.DataFrame) -> Outcome:
    """Write the files beside each other and load them into ``folder / warehouse``."""
    paths = []
    for name, frame in files.items():
        path = folder / f"{name}.csv"
        frame.write_csv(path)
        paths.append(path)
    return ingest(Request(paths=tuple(paths), warehouse=folder / "warehouse"))
