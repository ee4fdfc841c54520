"""Checks on values: sums, shares, classes, copies. The face G1 is worked out by hand in the measures' own tests."""

from __future__ import annotations

from collections.abc import Callable

import polars as pl
import pytest

Holds = Callable[..., list[bool]]

G1 = {
    "sn_gogn_deg": 31.947,
    "sn_gome_deg": 36.265,
    "sn_pp_deg": 6.520,
    "mmpa_deg": 29.745,
    "bjork_sum_deg": 396.265,
    "fma_deg": 28.197,
    "y_axis_fh_deg": 62.110,
    "y_axis_sn_deg": 70.178,
    "sna_deg": 80.414,
    "snb_deg": 76.205,
    "anb_deg": 4.209,
    "u1_sn_deg": 104.851,
    "u1_pp_deg": 111.371,
    "impa_deg": 93.279,
    "interincisal_deg": 125.606,
    "lafh_mm": 66.483,
    "tafh_mm": 116.499,
    "pfh_mm": 74.673,
    "lafh_direct_pct": 57.068,
    "jarabak_pct": 64.097,
}
"""Exact values of one invented face, computed from its coordinates (rounded to three decimals)."""

SUMS = ["M-I1", "M-I1-far", "M-I2", "M-I2-far", "M-I3", "M-I3-far", "M-I4", "M-I4-far", "M-I5", "M-I5-far"]
SUMS += ["M-I6", "M-I6-far", "M-O1", "M-O2", "M001", "M002", "M003"]


def readings(*faces: dict[str, float | None], timepoint: str = "start") -> pl.DataFrame:
    rows = [
        {"case_id": f"c{i}", "timepoint": timepoint, "measure": code, "value": value, "examiner": "E1", "repeat_no": 1}
        for i, face in enumerate(faces)
        for code, value in face.items()
    ]
    return pl.DataFrame(rows)


@pytest.mark.parametrize("rule", SUMS)
def test_one_face_breaks_no_sum(holds: Holds, rule: str) -> None:
    assert holds(rule, measurements=readings(G1)) == [True]


@pytest.mark.parametrize(
    ("rule", "code", "within"),
    [
        ("M-I1", "mmpa_deg", 1.5),
        ("M-I1-far", "mmpa_deg", 10.0),
        ("M-I2", "bjork_sum_deg", 2.0),
        ("M-I2-far", "bjork_sum_deg", 10.0),
        ("M-I3", "impa_deg", 2.0),
        ("M-I3-far", "impa_deg", 15.0),
        ("M-I4", "anb_deg", 1.5),
        ("M-I4-far", "anb_deg", 8.0),
        ("M-I5", "lafh_direct_pct", 1.0),
        ("M-I5-far", "lafh_direct_pct", 6.0),
        ("M-I6", "jarabak_pct", 1.0),
        ("M-I6-far", "jarabak_pct", 6.0),
        ("M001", "u1_pp_deg", 4.0),
        ("M002", "u1_pp_deg", 12.0),
        ("M003", "y_axis_fh_deg", 4.0),
    ],
)
def test_a_sum_may_be_off_by_its_tolerance(holds: Holds, rule: str, code: str, within: float) -> None:
    inside, outside = ({**G1, code: G1[code] + shift} for shift in (within - 0.01, within + 0.01))
    below = {**G1, code: G1[code] - within - 0.01}
    assert holds(rule, measurements=readings(inside, outside, below)) == [True, False, False]


def test_a_sum_with_a_value_missing_is_not_asked(holds: Holds) -> None:
    part = {"sn_gome_deg": 10.0, "sn_pp_deg": 1.0}
    assert holds("M-I1", measurements=readings(part, {**G1, "mmpa_deg": 50.0})) == [True, False]


def test_a_weighted_score_is_the_sum_of_its_components(holds: Holds) -> None:
    # 6 + 5 + 3 + 3 x 6 + 2 x 2 + 1 x 4 = 40: the worked example of the UK weights.
    parts = {"par_upper_anterior_points": 6.0, "par_lower_anterior_points": 5.0, "par_buccal_points": 3.0}
    parts |= {"par_overjet_score": 3.0, "par_overbite_score": 2.0, "par_centreline_score": 1.0}
    right, wrong = parts | {"par_uk_points": 40.0}, parts | {"par_uk_points": 41.0}
    partly = {code: value for code, value in wrong.items() if code != "par_buccal_points"}
    assert holds("M-I7", measurements=readings(right, wrong, partly)) == [True, False, True]


def test_the_lower_height_is_part_of_the_whole(holds: Holds) -> None:
    faces = [{"lafh_mm": low, "tafh_mm": 72.0} for low in (71.9, 72.0, 75.0)]
    assert holds("M-O2", measurements=readings(*faces)) == [True, False, False]


@pytest.mark.parametrize(
    ("rule", "incisors", "overjet", "right"),
    [
        ("X005", "II/1", -1.0, True),
        ("X005", "II/1", -1.1, False),
        ("X005", "I", -3.0, True),
        ("X006", "III", 4.0, True),
        ("X006", "III", 4.1, False),
        ("X007", "III", 8.0, True),
        ("X007", "III", 8.1, False),
        ("X007", "II/2", 12.0, True),
    ],
)
def test_overjet_at_start_fits_the_incisor_class(
    holds: Holds, rule: str, incisors: str, overjet: float, right: bool
) -> None:
    case = pl.DataFrame({"case_id": ["c0"], "incisor_class": [incisors]})
    at_start = readings({"overjet_mm": overjet})
    at_finish = readings({"overjet_mm": overjet}, timepoint="finish")
    assert holds(rule, cases=case, measurements=at_start) == [right]
    assert holds(rule, cases=case, measurements=at_finish) == [True]


def test_without_classes_no_overjet_contradicts_one(holds: Holds) -> None:
    case = pl.DataFrame({"case_id": ["c0"], "sex": ["male"]})
    assert holds("X005", cases=case, measurements=readings({"overjet_mm": -9.0})) == [True]


def copies(values: dict[str, float], **finish: float) -> pl.DataFrame:
    return pl.concat([readings(values), readings(values | finish, timepoint="finish")])


THREE = {"sna_deg": 81.0, "snb_deg": 78.0, "sn_gogn_deg": 32.0}


def test_values_all_equal_to_the_earlier_ones_look_copied(holds: Holds) -> None:
    assert holds("M004", measurements=copies(THREE)) == [True, False]
    assert holds("M004", measurements=copies(THREE, sn_gogn_deg=32.1)) == [True, True]


def test_two_equal_values_do_not_look_copied(holds: Holds) -> None:
    assert holds("M004", measurements=copies({"sna_deg": 81.0, "snb_deg": 78.0})) == [True, True]


def test_equal_scores_do_not_look_copied(holds: Holds) -> None:
    scores = {"par_overjet_score": 1.0, "par_overbite_score": 1.0, "par_buccal_points": 2.0, "par_uk_points": 10.0}
    assert holds("M004", measurements=copies(scores)) == [True, True]


def test_follow_up_is_held_against_the_finish(holds: Holds) -> None:
    moved = {code: value + 1 for code, value in THREE.items()}
    frame = pl.concat([readings(THREE), readings(moved, timepoint="finish"), readings(moved, timepoint="follow_up")])
    assert holds("M004", measurements=frame) == [True, True, False]


def test_a_second_reading_equal_to_the_first_looks_copied(holds: Holds) -> None:
    second = readings(THREE).with_columns(repeat_no=pl.lit(2, dtype=pl.Int64))
    other_person = second.with_columns(examiner=pl.lit("E2"))
    other_value = second.with_columns(
        value=pl.when(pl.col("measure") == "sna_deg").then(81.5).otherwise(pl.col("value"))
    )
    assert holds("M005", measurements=pl.concat([readings(THREE), second])) == [True, False]
    assert holds("M005", measurements=pl.concat([readings(THREE), other_person])) == [True, True]
    assert holds("M005", measurements=pl.concat([readings(THREE), other_value])) == [True, True]
    assert holds("M005", measurements=readings(THREE)) == [True]
