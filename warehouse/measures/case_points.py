"""The points of one tracing as plain numbers, ready to be drawn."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from warehouse.errors import RequestError
from warehouse.measures.records import describe_records, pictures_sharing_a_scale
from warehouse.measures.tracings import gather_tracings


@dataclass(frozen=True, slots=True)
class CasePoints:
    """One tracing, facing right with y upwards."""

    view: str
    points: Mapping[str, tuple[float, float]]  # Landmark -> (x, y); only points that are there
    # True where lengths are true millimetres: no pixels without a scale, and for a radiograph the enlargement
    # known
    in_mm: bool
    fault: str  # Why the tracing cannot be used, or empty


def case_points(landmarks: pl.DataFrame, visits: pl.DataFrame | None = None) -> CasePoints:
    """The points of the one tracing that ``landmarks`` holds.

    Raises:
        RequestError: There is not exactly one tracing.
    """
    gathered = gather_tracings(landmarks)
    count = sum(tracings.keys.height for tracings in gathered)
    if count != 1:
        message = f"The landmarks hold {count} tracings."
        raise RequestError(
            message,
            where="drawing",
            expected="the points of one case, time, view, examiner and repeat",
            remedy="choose one tracing",
        )
    (tracings,) = gathered
    sharing = pictures_sharing_a_scale([tracings.keys])
    record = describe_records(tracings.keys, visits, tracings.view, sharing=sharing).row(0, named=True)
    factor = record["to_mm"]
    points = {
        code: (float(tracings.x[code][0]) * (factor or 1.0), float(tracings.y[code][0]) * (factor or 1.0))
        for code in tracings.x
        if np.isfinite(tracings.x[code][0]) and np.isfinite(tracings.y[code][0])
    }
    in_mm = factor is not None and record["size"] != "as on the film"
    return CasePoints(tracings.view, points, in_mm, record["fault"] or "")
