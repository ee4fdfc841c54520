"""What holds for every face: identities between measures, and what moving, turning and mirroring leave alone.

Each example is a handful of faces, every point of the known face moved at random, measured in one call.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from warehouse.measures.catalogue import CATALOGUE
from warehouse.measures.evaluation import ReasonTexts, evaluate
from warehouse.measures.formulae import LineThrough, VertexAngle
from warehouse.measures.geometry import compute

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Points: TypeAlias = dict[str, tuple[float, float]]
    Values: TypeAlias = dict[str, float | None]
    Faces: TypeAlias = NDArray[np.float64]  # (face, landmark, x or y)

FACES = 10
CODES = [
    *("S", "N", "Or", "Po", "Ar", "Go", "Me", "Gn", "Pog", "ANS", "PNS", "A", "B", "Ba", "Pt"),
    *("U1T", "U1A", "L1T", "L1A", "U6", "L6", "Tgo"),
]
moves = arrays(np.float64, (FACES, len(CODES), 2), elements=st.floats(-4.0, 4.0))
quick = settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


@pytest.fixture(scope="session")
def base(g1: Points) -> Faces:
    return np.array([[g1[code] for code in CODES]], dtype=np.float64)


def _measured(faces: Faces, /, **said: object) -> dict[str, Faces]:
    n = faces.shape[0]
    stated = {"timepoint": "start", "view": "lateral_radiograph", "unit": "mm", "y_axis": "up", "faces": "right"}
    long = pl.DataFrame(
        {
            "case_id": np.repeat(np.arange(n), len(CODES)),
            "landmark": CODES * n,
            "x": faces[:, :, 0].ravel(),
            "y": faces[:, :, 1].ravel(),
        }
    ).with_columns(pl.lit(value).alias(name) for name, value in {**stated, **said}.items())
    rows = compute(long)
    return {
        code: values["value"].to_numpy()
        for (code,), values in rows.group_by("measure", maintain_order=True)
        if values["value"].null_count() < n
    }


def _same(got: dict[str, Faces], expected: dict[str, Faces], tolerance: float = 1e-9) -> None:
    assert got.keys() == expected.keys()
    for code, value in expected.items():
        np.testing.assert_allclose(got[code], value, rtol=0.0, atol=tolerance, err_msg=code)


@given(moves=moves)
@quick
def test_the_identities_hold_to_a_billionth_on_any_face(base: Faces, moves: Faces) -> None:
    v = _measured(base + moves)
    formulae = {code: one.formula for code, one in CATALOGUE.items() if hasattr(one.formula, "points")}
    assert v.keys() == {code for code, formula in formulae.items() if set(formula.points) <= set(CODES)}
    broken = [
        v["sn_gome_deg"] - v["sn_pp_deg"] - v["mmpa_deg"],
        v["bjork_sum_deg"] - 360.0 - v["sn_gome_deg"],
        v["sn_gome_deg"] + v["u1_sn_deg"] + v["interincisal_deg"] + v["impa_deg"] - 360.0,
        v["anb_deg"] - v["sna_deg"] + v["snb_deg"],
        v["lafh_direct_pct"] - 100.0 * v["lafh_mm"] / v["tafh_mm"],
        v["jarabak_pct"] - 100.0 * v["pfh_mm"] / v["tafh_mm"],
    ]
    assert np.abs(broken).max() < 1e-9


@given(moves=moves)
@quick
def test_the_frankfort_triangle_closes(base: Faces, moves: Faces) -> None:
    faces = base + moves
    x = {code: faces[:, i, 0] for i, code in enumerate(CODES)}
    y = {code: faces[:, i, 1] for i, code in enumerate(CODES)}
    fmia = VertexAngle(LineThrough("Or", "Po"), LineThrough("L1T", "L1A"))
    (reading,) = evaluate(x, y, [fmia], size=FACES, reasons=ReasonTexts())
    v = _measured(faces)
    np.testing.assert_allclose(v["fma_deg"] + reading.values + v["impa_deg"], 180.0, atol=1e-9)


@given(
    moves=moves,
    turn=st.floats(-180.0, 180.0),
    shift=st.tuples(st.floats(-500.0, 500.0), st.floats(-500.0, 500.0)),
    size=st.floats(0.2, 20.0),
)
@quick
def test_moving_turning_and_scaling_change_only_lengths(
    base: Faces, moves: Faces, turn: float, shift: tuple[float, float], size: float
) -> None:
    cos, sin = math.cos(math.radians(turn)), math.sin(math.radians(turn))
    before = _measured(base + moves)
    after = _measured(size * (base + moves) @ np.array([[cos, sin], [-sin, cos]]) + np.array(shift))
    scaled = {code: value * size if CATALOGUE[code].unit == "mm" else value for code, value in before.items()}
    _same(after, scaled, tolerance=1e-8)


@given(moves=moves)
@quick
def test_a_face_looking_left_measures_as_its_mirror_image(base: Faces, moves: Faces) -> None:
    faces = base + moves
    _same(_measured(faces * (-1.0, 1.0), faces="left"), _measured(faces))


@given(moves=moves)
@quick
def test_an_image_with_y_downwards_measures_as_one_with_y_upwards(base: Faces, moves: Faces) -> None:
    faces = base + moves
    _same(_measured(faces * (1.0, -1.0) + (0.0, 1000.0), y_axis="down"), _measured(faces))


@given(moves=moves, scale=st.floats(0.02, 2.0))
@quick
def test_pixels_with_a_scale_measure_as_millimetres(base: Faces, moves: Faces, scale: float) -> None:
    faces = base + moves
    pixels = _measured(faces / scale, unit="px", image_scale_mm_per_px=scale)
    _same(pixels, _measured(faces), tolerance=1e-8)


def test_signs_are_kept_where_the_palate_tips_upwards(g1: Points, values: Callable[..., Values]) -> None:
    v = values({**g1, "ANS": (70, -30)})
    assert v["sn_pp_deg"] == pytest.approx(6.5198 - math.degrees(math.atan2(14, 52)), abs=1e-3)
    assert v["sn_pp_deg"] < 0.0
    assert v["mmpa_deg"] > v["sn_gome_deg"]


def test_open_bite_and_reverse_overjet_are_negative(g1: Points, values: Callable[..., Values]) -> None:
    v = values({**g1, "U1T": (68, -69), "L1T": (72, -74)})
    assert v["overbite_mm"] < 0.0
    assert v["overjet_mm"] < 0.0
    assert values({**g1, "B": (75, -86)})["anb_deg"] < 0.0
