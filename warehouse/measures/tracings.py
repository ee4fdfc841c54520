"""Brings landmarks in long form into one array a landmark, in one orientation.

A tracing is one set of points: one case, time, view, examiner and repeat. After this step every face looks to the
right and y runs upwards; the unit is still the one stated, with the factor to millimetres beside it.
"""

from dataclasses import dataclass
from typing import cast

import numpy as np
import polars as pl
from numpy.typing import NDArray

from warehouse.errors import RequestError
from warehouse.measures.blocks import Floats
from warehouse.measures.landmarks import ALIASES, LANDMARKS, LATERAL, VIEWS

KEYS = ("case_id", "timepoint", "view", "examiner", "repeat_no")
_STATED = ("unit", "y_axis", "faces")
_SCALE = "image_scale_mm_per_px"
_NEEDED = ("case_id", "timepoint", "view", "landmark", "x", "y", "unit")
_DEFAULTS = {"examiner": pl.lit("1"), "repeat_no": pl.lit(1, pl.Int64)}
_UNKNOWN_CODE = len(LANDMARKS)


@dataclass(frozen=True, slots=True)
class Tracings:
    """All tracings of one view."""

    view: str
    # One row a tracing: the five key columns, `unit`, `image_scale_mm_per_px`, `fault` (text or null: why the
    # whole tracing cannot be measured)
    keys: pl.DataFrame
    x: dict[str, Floats]  # Landmark code -> forward coordinate, shape `(n,)`, NaN where missing or not a number
    y: dict[str, Floats]  # Landmark code -> upward coordinate, shape `(n,)`


def gather_tracings(landmarks: pl.DataFrame) -> tuple[Tracings, ...]:
    """The tracings in a frame of landmarks, one entry a view that occurs.

    ``landmarks``: one row a point: ``case_id, timepoint, view, landmark, x, y, unit`` and, with defaults, ``y_axis,
    faces, examiner, repeat_no, image_scale_mm_per_px``. Rows of one tracing need not lie together. Landmarks that no
    measure knows are passed over. Raises RequestError: a needed column is missing or a view is unknown.
    """
    _refuse_incomplete(landmarks)
    points = landmarks.with_columns(
        default.alias(name) for name, default in _DEFAULTS.items() if name not in landmarks.columns
    )
    points = points.with_columns(
        pl.lit(None, pl.String).alias(name) for name in ("y_axis", "faces") if name not in points.columns
    )
    if _SCALE not in points.columns:
        points = points.with_columns(pl.lit(None, pl.Float64).alias(_SCALE))
    return tuple(
        _tracings_of_view(points.filter(pl.col("view") == view), view)
        for view in VIEWS
        if (points["view"] == view).any()
    )


def _refuse_incomplete(landmarks: pl.DataFrame) -> None:
    lacking = [name for name in _NEEDED if name not in landmarks.columns]
    if lacking:
        message = f"The landmarks lack the column {lacking[0]!r}."
        raise RequestError(
            message, where="landmarks", expected=f"the columns {', '.join(_NEEDED)}", remedy="add the column"
        )
    unknown = landmarks.select(pl.col("view").cast(pl.String).unique()).filter(
        pl.col("view").is_null() | ~pl.col("view").is_in(list(VIEWS))
    )
    if unknown.height:
        message = "A landmark names a view that is not known."
        raise RequestError(
            message, where="column 'view'", expected=f"one of {', '.join(VIEWS)}", remedy="correct the view"
        )


def _tracings_of_view(points: pl.DataFrame, view: str) -> Tracings:
    keys, tracing_of_row = _number_tracings(points)
    code_of_row = _landmark_numbers(points["landmark"])
    known = code_of_row < _UNKNOWN_CODE
    if not known.all():
        points = points.filter(pl.Series(known))
        tracing_of_row, code_of_row = tracing_of_row[known], code_of_row[known]
    n = keys.height
    codes = [code for place, code in enumerate(LANDMARKS) if (code_of_row == place).any()]
    compact = np.zeros(_UNKNOWN_CODE, dtype=np.int64)
    compact[[place for place, code in enumerate(LANDMARKS) if code in codes]] = np.arange(len(codes)) * n
    cell_of_row = compact[code_of_row] + tracing_of_row
    x = _spread(points["x"], cell_of_row, len(codes), n)
    y = _spread(points["y"], cell_of_row, len(codes), n)
    twice = _points_given_twice(points, cell_of_row, n)
    keys = keys.with_columns(_fault(view, twice).alias("fault"))
    flip_x, flip_y = _flips(keys)
    return Tracings(
        view=view,
        keys=keys.select(*KEYS, "unit", _SCALE, "fault"),
        x={code: row * flip_x for code, row in zip(codes, x, strict=True)},
        y={code: row * flip_y for code, row in zip(codes, y, strict=True)},
    )


def _number_tracings(points: pl.DataFrame) -> tuple[pl.DataFrame, NDArray[np.int64]]:
    """One row a tracing in order of first appearance, and for each point the row it belongs to.

    Neighbouring rows of one tracing are folded first, so that the grouping sees one row a run of points.
    """
    said = [*KEYS, *_STATED, _SCALE]
    changes = pl.any_horizontal(pl.col(name).ne_missing(pl.col(name).shift()) for name in said)
    starts = points.select(changes.alias("start"))["start"].to_numpy().copy()
    starts[0] = True
    runs = points.select(said).filter(pl.Series(starts, dtype=pl.Boolean))
    run_of_row = np.cumsum(starts) - 1
    tracings = runs.group_by(KEYS, maintain_order=True).agg(
        *(pl.col(name).first() for name in (*_STATED, _SCALE)),
        *(pl.col(name).n_unique().alias(f"n_{name}") for name in (*_STATED, _SCALE)),
    )
    if tracings.height == runs.height:
        return tracings, run_of_row
    numbered = tracings.select(KEYS).with_row_index("tracing")
    tracing_of_run = runs.select(KEYS).join(
        numbered, on=list(KEYS), how="left", nulls_equal=True, maintain_order="left"
    )
    return tracings, tracing_of_run["tracing"].to_numpy().astype(np.int64)[run_of_row]


def _landmark_numbers(codes: pl.Series) -> NDArray[np.uint8]:
    """Each point's place in ``LANDMARKS``; ``_UNKNOWN_CODE`` where no measure knows the landmark."""
    places = {code: place for place, code in enumerate(LANDMARKS)}
    places |= {alias: places[code] for alias, code in ALIASES.items()}
    if not isinstance(codes.dtype, pl.Enum):
        codes = codes.cast(pl.String).cast(pl.Enum(list(places)), strict=False)
    names = cast("pl.Enum", codes.dtype).categories.to_list()
    table = np.array([places.get(name, _UNKNOWN_CODE) for name in (*names, "")], dtype=np.uint8)
    numbers: NDArray[np.uint8] = table[codes.to_physical().cast(pl.UInt32).fill_null(len(names)).to_numpy()]
    return numbers


def _spread(values: pl.Series, cell_of_row: NDArray[np.int64], codes: int, n: int) -> Floats:
    """The values of the points as (landmark, tracing); what is not a finite number becomes NaN."""
    table = np.full(codes * n, np.nan)
    table[cell_of_row] = values.cast(pl.Float64).to_numpy()
    table[np.isinf(table)] = np.nan
    return table.reshape(codes, n)


def _points_given_twice(points: pl.DataFrame, cell_of_row: NDArray[np.int64], n: int) -> pl.Series:
    """For each tracing, whether some point is given twice at different places."""
    flags = np.zeros(n, dtype=np.bool_)
    if cell_of_row.size and np.bincount(cell_of_row).max() > 1:
        repeated = pl.DataFrame({"cell": cell_of_row, "x": points["x"], "y": points["y"]}).unique()
        cells = repeated.filter(pl.col("cell").is_duplicated())["cell"].to_numpy()
        flags[cells % n] = True
    return pl.Series(flags)


def _flips(keys: pl.DataFrame) -> tuple[Floats, Floats]:
    flips = keys.select(
        x=pl.when(pl.col("faces") == "left").then(-1.0).otherwise(1.0),
        y=pl.when(pl.col("y_axis") == "down").then(-1.0).otherwise(1.0),
    )
    return flips["x"].to_numpy(), flips["y"].to_numpy()


def _fault(view: str, twice: pl.Series) -> pl.Expr:
    """Why a whole tracing cannot be measured, or null.

    Only the lateral radiograph has signed angles, so only there must the direction of y and of the face be said.
    """
    mixed = pl.any_horizontal(pl.col(f"n_{name}") > 1 for name in (*_STATED, _SCALE))
    fault = (
        pl.when(mixed)
        .then(pl.lit("not measurable: its points state different units, directions or scales"))
        .when(pl.lit(twice))
        .then(pl.lit("not measurable: a point is given twice at different places"))
        .when(pl.col("unit").is_null() | ~pl.col("unit").cast(pl.String).is_in(["mm", "px"]))
        .then(pl.lit("not measurable: the unit is not stated as mm or px"))
    )
    if view == LATERAL:
        fault = (
            fault.when(pl.col("y_axis").is_null() | ~pl.col("y_axis").cast(pl.String).is_in(["up", "down"]))
            .then(pl.lit("not measurable: it is not stated whether y runs up or down"))
            .when(pl.col("faces").is_null() | ~pl.col("faces").cast(pl.String).is_in(["right", "left"]))
            .then(pl.lit("not measurable: it is not stated whether the face looks right or left"))
        )
    return fault.otherwise(pl.lit(None, pl.String))
