"""The points of one tracing for the drawing."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl
import pytest

from warehouse.errors import RequestError
from warehouse.measures.case_drawing import case_points

if TYPE_CHECKING:
    from collections.abc import Callable

    Points = dict[str, tuple[float, float]]


def _visit(**columns: float) -> pl.DataFrame:
    return pl.DataFrame({"case_id": ["c1"], "timepoint": ["start"], **{name: [v] for name, v in columns.items()}})


def test_pixels_of_a_left_facing_image_become_true_millimetres(tracing: Callable[..., pl.DataFrame]) -> None:
    frame = tracing({"S": (100, 50), "N": (30, 42)}, unit="px", y_axis="down", faces="left")
    got = case_points(frame, _visit(image_scale_mm_per_px=0.22, magnification_pct=10.0))
    assert got.points["S"] == pytest.approx((-20.0, -10.0))
    assert got.points["N"] == pytest.approx((-6.0, -8.4))
    assert got.in_mm
    assert (got.view, got.fault) == ("lateral_radiograph", "")


def test_lengths_are_not_millimetres_without_scale_or_enlargement(
    g1: Points, tracing: Callable[..., pl.DataFrame]
) -> None:
    assert not case_points(tracing(g1)).in_mm
    assert not case_points(tracing(g1, unit="px"), _visit(magnification_pct=8.0)).in_mm
    assert case_points(tracing({"Sn": (0, 0)}, view="frontal_photo")).in_mm


def test_missing_points_are_left_out_and_faults_told(tracing: Callable[..., pl.DataFrame]) -> None:
    got = case_points(tracing({"S": (0.0, 0.0), "N": (None, 1.0)}, faces=None))
    assert set(got.points) == {"S"}
    assert got.fault == "not measurable: it is not stated whether the face looks right or left"


def test_only_one_tracing_can_be_drawn(g1: Points, tracing: Callable[..., pl.DataFrame]) -> None:
    with pytest.raises(RequestError, match="hold 2 tracings"):
        case_points(pl.concat([tracing(g1), tracing(g1, repeat_no=2)]))
    with pytest.raises(RequestError, match="hold 0 tracings"):
        case_points(tracing(g1).clear())
