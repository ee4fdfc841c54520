"""Points that are missing, on one spot, swapped or badly described give a reason, never a number or a fault."""

from __future__ import annotations

import itertools
import math
from typing import TYPE_CHECKING

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from warehouse.errors import RequestError
from warehouse.measures.geometry import RESULT_COLUMNS, compute
from warehouse.measures.point_order import DOWNWARDS, FORWARDS

if TYPE_CHECKING:
    from collections.abc import Callable

    Points = dict[str, tuple[float, float]]
    Reasons = dict[str, str | None]


def test_missing_points_are_named(g1: Points, reasons: Callable[..., Reasons]) -> None:
    why = reasons({code: xy for code, xy in g1.items() if code not in ("Go", "S")})
    assert why["sn_gome_deg"] == "not measurable: S and Go missing"
    assert why["mmpa_deg"] == "not measurable: Go missing"
    assert why["lafh_mm"] is None


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf, None])
def test_a_coordinate_that_is_no_number_counts_as_missing(
    g1: Points, reasons: Callable[..., Reasons], bad: float | None
) -> None:
    assert reasons({**g1, "A": (67.0, bad)})["sna_deg"] == "not measurable: A missing"


def test_some_missing_in_some_cases_are_told_apart(g1: Points, tracing: Callable[..., pl.DataFrame]) -> None:
    faces = [g1, {**g1, "N": (math.nan, 1.0)}, {**g1, "N": (1.0, math.nan), "Me": (math.nan, 0.0)}]
    rows = compute(pl.concat(tracing(face, case_id=f"c{i}") for i, face in enumerate(faces)))
    got = rows.filter(pl.col("measure") == "tafh_mm")
    assert got["reason"].to_list() == [None, "not measurable: N missing", "not measurable: N and Me missing"]
    assert got["value"].to_list() == pytest.approx([116.499, None, None], abs=1e-3)


def test_points_on_one_spot_are_named(g1: Points, reasons: Callable[..., Reasons]) -> None:
    why = reasons({**g1, "Or": g1["Po"]})
    assert why["fma_deg"] == "not measurable: Po and Or lie on one spot"
    assert why["sn_gome_deg"] is None
    assert reasons({**g1, "ANS": g1["Me"]})["lafh_mm"] == "not measurable: ANS and Me lie on one spot"


def test_an_occlusal_plane_without_length_is_named(g1: Points, reasons: Callable[..., Reasons]) -> None:
    why = reasons({**g1, "U6": g1["U1T"], "L6": g1["L1T"]})
    text = "not measurable: the midpoint of U6 and L6 and the midpoint of U1T and L1T lie on one spot"
    assert why["wits_mm"] == why["overjet_mm"] == why["overbite_mm"] == text


def test_every_point_on_one_spot_is_no_fault_of_the_program(g1: Points, reasons: Callable[..., Reasons]) -> None:
    assert all(why for why in reasons(dict.fromkeys(g1, (3.0, 4.0))).values())


def test_coordinates_too_large_to_square_are_not_measurable(g1: Points, reasons: Callable[..., Reasons]) -> None:
    why = reasons({code: (x * 1e200, y * 1e200) for code, (x, y) in g1.items()})
    assert why["tafh_mm"] == "not measurable: the coordinates are not usable numbers"


def _swapped(points: Points, a: str, b: str) -> Points:
    return {**points, a: points[b], b: points[a]}


@pytest.mark.parametrize("pair", [line.points for line in FORWARDS + DOWNWARDS if "'" not in "".join(line.points)])
def test_two_swapped_points_are_named(g1: Points, reasons: Callable[..., Reasons], pair: tuple[str, str]) -> None:
    said = {why for why in reasons(_swapped(g1, *pair)).values() if why and "swapped" in why}
    if pair in (("N", "A"), ("B", "Me"), ("S", "Go"), ("Ar", "Go"), ("Ba", "N"), ("ANS", "Me"), ("Pt", "Gn")):
        # far apart: several swaps would explain it, the text may name another pair
        assert any(reasons(_swapped(g1, *pair)).values())
    else:
        assert said == {f"not measurable: {pair[0]} and {pair[1]} look swapped"}


def test_a_swap_leaves_the_other_measures_alone(g1: Points, reasons: Callable[..., Reasons]) -> None:
    why = reasons(_swapped(g1, "A", "B"))
    concerned = {code for code, text in why.items() if text and "A and B look swapped" in text}
    assert concerned == {"sna_deg", "snb_deg", "anb_deg", "wits_mm"}
    assert why["sn_gogn_deg"] is None


def test_soft_points_swapped_in_a_photo_are_named(reasons: Callable[..., Reasons]) -> None:
    face = {"N'": (0, 0), "Gn'": (0, -50), "ZyR": (-75, -30), "ZyL": (75, -30), "Sn": (0, -120)}
    why = reasons(face, view="frontal_photo")
    assert why["lower_third_pct"] == "not measurable: Sn and Gn' look swapped"


@pytest.mark.parametrize("wrong", [{"faces": "left"}, {"y_axis": "down"}])
def test_a_face_described_the_wrong_way_round_is_not_measured(
    g1: Points, reasons: Callable[..., Reasons], wrong: dict[str, str]
) -> None:
    why = reasons(g1, **wrong)
    assert "looks mirrored or upside down" in why["sn_gogn_deg"]
    assert "looks mirrored or upside down" in why["sna_deg"]


def test_points_in_an_order_no_face_has_are_named(g1: Points, reasons: Callable[..., Reasons]) -> None:
    why = reasons({**g1, "ANS": (-40.0, -44.0), "Or": (-60.0, -22.0), "U1A": (65.0, -95.0)})
    assert why["sn_pp_deg"] == "not measurable: PNS and ANS lie in an order that no face has"
    assert why["fma_deg"] == "not measurable: Po and Or lie in an order that no face has"


def test_nasion_below_the_palate_has_no_perpendicular_share(g1: Points, reasons: Callable[..., Reasons]) -> None:
    only = {code: g1[code] for code in ("PNS", "ANS", "Me")}
    why = reasons({**only, "N": (70.0, -60.0)})
    assert why["lafh_perpendicular_pct"] == "not measurable: N and Me do not lie above and below PNS-ANS"


@pytest.mark.parametrize(
    ("said", "text"),
    [
        ({"unit": None}, "the unit is not stated as mm or px"),
        ({"unit": "inch"}, "the unit is not stated as mm or px"),
        ({"y_axis": None}, "it is not stated whether y runs up or down"),
        ({"faces": None}, "it is not stated whether the face looks right or left"),
        ({"faces": "front"}, "it is not stated whether the face looks right or left"),
    ],
)
def test_a_radiograph_without_its_directions_is_not_measured(
    g1: Points, reasons: Callable[..., Reasons], said: dict[str, str | None], text: str
) -> None:
    assert set(reasons(g1, **said).values()) == {f"not measurable: {text}"}


def test_points_of_one_tracing_must_state_the_same(g1: Points, tracing: Callable[..., pl.DataFrame]) -> None:
    mixed = pl.concat([tracing(g1).head(5), tracing(g1, y_axis="down").tail(-5)])
    rows = compute(mixed)
    text = "not measurable: its points state different units, directions or scales"
    assert rows["reason"].unique().to_list() == [text]


def test_a_point_given_twice_must_lie_on_one_place(g1: Points, tracing: Callable[..., pl.DataFrame]) -> None:
    face = tracing(g1)
    again = compute(pl.concat([face, face.filter(pl.col("landmark") == "A")]))
    assert again.filter(pl.col("measure") == "sna_deg")["value"].item() == pytest.approx(80.414, abs=1e-3)
    other = face.filter(pl.col("landmark") == "A").with_columns(x=pl.col("x") + 1.0)
    rows = compute(pl.concat([face, other]))
    assert rows["reason"].unique().to_list() == ["not measurable: a point is given twice at different places"]


def test_no_landmarks_give_no_rows(g1: Points, tracing: Callable[..., pl.DataFrame]) -> None:
    nothing = compute(tracing(g1).clear())
    assert nothing.height == 0
    assert nothing.columns == list(RESULT_COLUMNS)


def test_landmarks_that_no_measure_knows_are_passed_over(
    g1: Points, reasons: Callable[..., Reasons], tracing: Callable[..., pl.DataFrame]
) -> None:
    assert reasons({**g1, "Xi": (1.0, 2.0)}) == reasons(g1)
    only = compute(tracing({"Xi": (1.0, 2.0)}))
    assert only["value"].null_count() == only.height > 0


def test_a_missing_column_is_named(g1: Points, tracing: Callable[..., pl.DataFrame]) -> None:
    with pytest.raises(RequestError, match="lack the column 'unit'"):
        compute(tracing(g1).drop("unit"))


@pytest.mark.parametrize("view", ["oblique", None])
def test_an_unknown_view_is_refused(g1: Points, tracing: Callable[..., pl.DataFrame], view: str | None) -> None:
    with pytest.raises(RequestError, match="view that is not known"):
        compute(tracing(g1, view=view).with_columns(pl.col("view").cast(pl.String)))


anything = st.one_of(st.none(), st.floats(allow_nan=True, allow_infinity=True), st.sampled_from([0.0, 1.0, -1.0]))
codes = st.sampled_from(
    [
        "S",
        "N",
        "Or",
        "Po",
        "Ar",
        "Go",
        "Me",
        "Gn",
        "ANS",
        "PNS",
        "A",
        "B",
        "Ba",
        "Pt",
        "U1T",
        "U1A",
        "L1T",
        "L1A",
        "U6",
        "L6",
        "Prn",
        "Stms",
        "Stmi",
    ]
)


@given(st.lists(st.dictionaries(codes, st.tuples(anything, anything), min_size=1), min_size=5, max_size=10))
@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_points_at_all_give_a_number_or_a_reason(
    tracing: Callable[..., pl.DataFrame], faces: list[dict[str, tuple[float | None, float | None]]]
) -> None:
    rows = compute(pl.concat(tracing(points, case_id=f"c{i}") for i, points in enumerate(faces)))
    for value, reason in zip(rows["value"], rows["reason"], strict=True):
        assert (value is None) == (reason is not None)
        assert value is None or math.isfinite(value)


def test_no_order_of_any_two_points_of_a_face_is_a_fault_of_the_program(
    g1: Points, tracing: Callable[..., pl.DataFrame]
) -> None:
    pairs = list(itertools.combinations(g1, 2))
    rows = compute(pl.concat(tracing(_swapped(g1, a, b), case_id=f"{a} {b}") for a, b in pairs))
    assert rows["case_id"].n_unique() == len(pairs)
    assert not rows["value"].is_nan().any()
