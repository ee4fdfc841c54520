"""Points out of order, named point by point."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from warehouse.measures.point_order import MIRRORED, points_out_of_order

if TYPE_CHECKING:
    from collections.abc import Callable

    Points = dict[str, tuple[float, float]]
    Tracing = Callable[..., pl.DataFrame]


def named(frame: pl.DataFrame) -> set[tuple[str, str, str]]:
    return set(points_out_of_order(frame).select("case_id", "landmark", "text").rows())


def test_a_face_in_order_has_no_such_points(g1: Points, tracing: Tracing) -> None:
    assert points_out_of_order(tracing(g1)).is_empty()


def test_two_swapped_points_are_named_and_no_others(g1: Points, tracing: Tracing) -> None:
    swapped = {**g1, "L1T": g1["L1A"], "L1A": g1["L1T"]}
    frame = pl.concat([tracing(g1), tracing(swapped, case_id="c2")])
    text = "L1T and L1A look swapped"
    assert named(frame) == {("c2", "L1T", text), ("c2", "L1A", text)}


def test_every_point_of_a_mirrored_face_is_named(g1: Points, tracing: Tracing) -> None:
    few = {code: g1[code] for code in ("S", "N", "A", "B", "Me", "Go")}
    mirrored = {code: (-x, y) for code, (x, y) in few.items()}
    assert named(tracing(mirrored)) == {("c1", code, MIRRORED) for code in few}
    assert named(tracing(mirrored, faces="left")) == set()


def test_each_tracing_is_judged_by_itself(g1: Points, tracing: Tracing) -> None:
    swapped = {**g1, "S": g1["N"], "N": g1["S"]}
    frames = [tracing(swapped, timepoint=time, repeat_no=n) for time, n in (("start", 1), ("start", 2), ("finish", 1))]
    found = points_out_of_order(pl.concat(frames))
    assert found.select("timepoint", "repeat_no").unique().height == 3


def test_a_tracing_with_contradictory_frames_is_left_to_its_own_checks(g1: Points, tracing: Tracing) -> None:
    mixed = tracing({**g1, "U1T": g1["U1A"], "U1A": g1["U1T"]}).with_columns(
        y_axis=pl.when(pl.col("landmark") == "S").then(pl.lit("down")).otherwise("y_axis")
    )
    assert points_out_of_order(mixed).is_empty()


def test_no_points_are_no_fault(tracing: Tracing) -> None:
    found = points_out_of_order(tracing({}))
    assert found.is_empty()
    assert found.columns[-2:] == ["landmark", "text"]
