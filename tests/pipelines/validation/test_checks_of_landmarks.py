"""Checks on the points of a tracing."""

from __future__ import annotations

from collections.abc import Callable

import polars as pl
import pytest

from pipelines.checking.computed import heights_add_up

Holds = Callable[..., list[bool]]

FACE = {"S": (0.0, 0.0), "N": (70.0, 8.0), "Me": (46.0, -106.0), "Prn": (95.0, -40.0), "N'": (76.0, 6.0)}


def points(face: dict[str, tuple[float, float]] = FACE, **words: str) -> pl.DataFrame:
    said = {"view": "lateral_radiograph", "unit": "mm", "y_axis": "up", "faces": "right"} | words
    rows = [
        {"case_id": "c", "timepoint": "start", "examiner": "E1", "repeat_no": 1, "landmark": code, "x": x, "y": y}
        | said
        for code, (x, y) in face.items()
    ]
    return pl.DataFrame(rows)


@pytest.mark.parametrize("rule", ["L001", "L002", "L003", "L004", "L005", "L006", "L007"])
def test_a_good_tracing_breaks_no_rule(holds: Holds, rule: str) -> None:
    assert holds(rule, landmarks=points()) == [True] * 5


def test_a_point_shows_in_its_views(holds: Holds) -> None:
    frame = points({"S": (0, 0), "ZyR": (9, 9), "Me'": (5, 5)}, view="frontal_photo")
    assert holds("L001", landmarks=frame) == [False, True, True]


@pytest.mark.parametrize("column", ["unit", "y_axis", "faces"])
def test_all_points_of_a_set_share_one_frame(holds: Holds, column: str) -> None:
    other = {"unit": "px", "y_axis": "down", "faces": "left"}[column]
    mixed = points().with_columns(pl.Series(column, [other, *points()[column][1:]]))
    assert holds("L002", landmarks=mixed) == [False] * 5
    apart = pl.concat([points(), points(**{column: other}).with_columns(timepoint=pl.lit("finish"))])
    assert holds("L002", landmarks=apart) == [True] * 10


def test_a_face_on_its_head_has_a_wrong_direction_of_y(holds: Holds) -> None:
    assert holds("L003", landmarks=points(y_axis="down")) == [False] * 5
    image = {code: (x, -y) for code, (x, y) in FACE.items()}
    assert holds("L003", landmarks=points(image, y_axis="down")) == [True] * 5


def test_a_face_looking_back_has_a_wrong_facing(holds: Holds) -> None:
    mirrored = {code: (-x, y) for code, (x, y) in FACE.items()}
    assert holds("L004", landmarks=points(mirrored)) == [False] * 5
    assert holds("L004", landmarks=points(mirrored, faces="left")) == [True] * 5


def test_seen_from_the_front_a_face_looks_nowhere(holds: Holds) -> None:
    front = {"N'": (0.0, 50.0), "Prn": (-1.0, 20.0), "Sn": (0.0, 0.0)}
    assert holds("L004", landmarks=points(front, view="frontal_photo")) == [True] * 3


def test_two_points_in_one_place(holds: Holds) -> None:
    assert holds("L005", landmarks=points({**FACE, "N'": FACE["N"]})) == [True, False, True, True, False]
    twice = pl.concat([points({"S": (0, 0)}), points({"S": (0, 0)})])
    assert holds("L005", landmarks=twice) == [True, True]


@pytest.mark.parametrize(
    ("length", "unit", "right"), [(39.9, "mm", False), (70, "mm", True), (700, "mm", False), (700, "px", True)]
)
def test_the_size_of_a_face_in_millimetres(holds: Holds, length: float, unit: str, right: bool) -> None:
    face = {"S": (0.0, 0.0), "N": (length, 0.0)}
    assert holds("L006", landmarks=points(face, unit=unit)) == [right] * 2


def test_face_heights_of_a_published_table_with_a_likely_misprint() -> None:
    # JKAMPRS 10.1186/s40902-019-0191-7, table 9: n-sn 51.0, sn-me 76.4, n-me 101.8 (male; the sum is 127.4) and
    # 47.6, 69.5, 117.1 (female). The male total is a likely misprint; the female row adds up exactly.
    table = pl.DataFrame({"upper": [51.0, 47.6], "lower": [76.4, 69.5], "whole": [101.8, 117.1]})
    adds_up = heights_add_up(pl.col("upper"), pl.col("lower"), pl.col("whole"), within_pct=6.0)
    assert table.select(adds_up.alias("right"))["right"].to_list() == [False, True]


def test_subnasale_far_off_the_line_of_the_face(holds: Holds) -> None:
    near = {"N'": (76.0, 6.0), "Sn": (80.0, -52.0), "Gn'": (50.0, -112.0)}
    assert holds("L007", landmarks=points(near)) == [True] * 3
    assert holds("L007", landmarks=points({**near, "Sn": (112.0, -52.0)})) == [False] * 3


@pytest.mark.parametrize(("one", "other"), [("Stms", "Stmi"), ("U1T", "L1T"), ("U6", "L6")])
def test_lips_and_teeth_may_touch(holds: Holds, one: str, other: str) -> None:
    assert holds("L005", landmarks=points({one: (85.0, -70.0), other: (85.0, -70.0)})) == [True, True]
    with_a_third = {one: (85.0, -70.0), other: (85.0, -70.0), "Me": (85.0, -70.0)}
    assert holds("L005", landmarks=points(with_a_third)) == [False] * 3


def test_swapped_points_break_the_order_of_a_face(holds: Holds) -> None:
    face = {**FACE, "A": (67.0, -48.0), "B": (58.0, -86.0), "PNS": (18.0, -44.0), "ANS": (70.0, -44.0)}
    assert holds("L008", landmarks=points(face)) == [True] * 9
    swapped = {**face, "A": face["B"], "B": face["A"]}
    assert holds("L008", landmarks=points(swapped)) == [True] * 5 + [False, False, True, True]
    assert holds("L008", landmarks=points({**face, "A": (None, 0.0)})) == [True] * 9  # type: ignore[dict-item]
