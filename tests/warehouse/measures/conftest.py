"""Faces and frames the measure tests share."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import polars as pl
import pytest

from warehouse.measures.geometry import compute

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    Points = Mapping[str, tuple[float, float]]

REFERENCE = Path(__file__).parents[2] / "reference" / "measure-check-values.json"


@pytest.fixture(scope="session")
def reference() -> dict[str, Any]:
    return json.loads(REFERENCE.read_text(encoding="utf-8"))


@pytest.fixture(scope="session")
def g1(reference: dict[str, Any]) -> dict[str, tuple[float, float]]:
    points = {code: (x, y) for code, (x, y) in reference["face_g1"]["points"].items()}
    return {**points, "Tgo": (-2.0, -86.0)}  # made up: the worked face has no tangent to its lower border


@pytest.fixture(scope="session")
def tracing() -> Callable[..., pl.DataFrame]:
    """Points -> landmarks in long form."""

    def make(points: Points, **said: object) -> pl.DataFrame:
        stated = {
            "case_id": "c1",
            "timepoint": "start",
            "view": "lateral_radiograph",
            "unit": "mm",
            "y_axis": "up",
            "faces": "right",
            "examiner": "a",
            "repeat_no": 1,
            **said,
        }
        frame = pl.DataFrame(
            [{"landmark": code, "x": xy[0], "y": xy[1]} for code, xy in points.items()],
            schema={"landmark": pl.String, "x": pl.Float64, "y": pl.Float64},
        )
        return frame.with_columns(pl.lit(value).alias(name) for name, value in stated.items())

    return make


@pytest.fixture(scope="session")
def values(tracing: Callable[..., pl.DataFrame]) -> Callable[..., dict[str, float | None]]:
    """Points -> measure code -> value."""

    def measure(points: Points, visits: pl.DataFrame | None = None, **said: object) -> dict[str, float | None]:
        rows = compute(tracing(points, **said), visits)
        return dict(zip(rows["measure"], rows["value"], strict=True))

    return measure


@pytest.fixture(scope="session")
def reasons(tracing: Callable[..., pl.DataFrame]) -> Callable[..., dict[str, str | None]]:
    """Points -> measure code -> reason."""

    def why(points: Points, visits: pl.DataFrame | None = None, **said: object) -> dict[str, str | None]:
        rows = compute(tracing(points, **said), visits)
        assert rows["value"].is_null().equals(rows["reason"].is_not_null())
        assert not rows["value"].is_nan().any()
        return dict(zip(rows["measure"], rows["reason"], strict=True))

    return why
