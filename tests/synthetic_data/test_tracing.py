from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from synthetic_data.exports import Cohort
from synthetic_data.tracing import FORMULAS, POINT_ERROR, Reading, mark_points
from warehouse.measures.catalogue import CATALOGUE
from warehouse.measures.geometry import compute

FILE = Path(__file__).parents[1] / "reference" / "measure-check-values.json"
REFERENCE = json.loads(FILE.read_text("utf-8"))["face_g1"]
G1 = {name: np.array([complex(x, y)]) for name, (x, y) in REFERENCE["points"].items()}


@pytest.mark.parametrize("code", REFERENCE["values"])
def test_formulas_give_the_published_values_of_face_g1(code: str) -> None:
    # Values worked out independently of this project; the source stands in the reference file.
    assert FORMULAS[code](G1)[0] == pytest.approx(REFERENCE["values"][code], abs=5e-4)


def reading(n: int, error: float = 0.0, enlargement: float = 0.0, low_gonion: float = 0.0) -> Reading:
    return Reading(np.full(n, error), np.full(n, low_gonion), np.full(n, enlargement))


def many_faces(n: int) -> dict[str, np.ndarray]:
    skin = {"Prn": 92.0 - 40j, "Stms": 85.0 - 70j, "Stmi": 85.0 - 72j}
    return {name: np.repeat(at, n) for name, at in G1.items()} | {name: np.full(n, at) for name, at in skin.items()}


def test_without_error_only_place_tilt_and_size_change() -> None:
    marked = mark_points(many_faces(20), reading(20, enlargement=10.0), 0.0, np.random.default_rng(1))
    assert FORMULAS["sn_gogn_deg"](marked) == pytest.approx(31.947, abs=0.03)
    assert FORMULAS["jarabak_pct"](marked) == pytest.approx(64.097, abs=0.03)
    assert FORMULAS["lafh_mm"](marked) == pytest.approx(66.483 * 1.1, abs=0.03)
    assert np.std(marked["S"].real) > 1.0


def test_the_error_of_the_mandibular_plane_is_what_the_points_make_it() -> None:
    n = 20_000
    marked = mark_points(many_faces(n), reading(n, error=1.0), 0.0, np.random.default_rng(2))

    # First order: each point's error at right angles to its line, over the length of the line (face G1 is tilted
    # by 6.5 degrees, and its mandibular plane by 30, against the axes along which the errors are set).
    def across(name: str, tilt: float) -> float:
        along, over = POINT_ERROR[name]
        return (along * np.sin(np.radians(tilt))) ** 2 + (over * np.cos(np.radians(tilt))) ** 2

    sn = (across("S", 6.5) + across("N", 6.5)) / abs(G1["N"] - G1["S"])[0] ** 2
    mp = (across("Go", 29.7) + across("Me", 29.7)) / abs(G1["Me"] - G1["Go"])[0] ** 2
    assert np.std(FORMULAS["sn_gome_deg"](marked)) == pytest.approx(np.degrees(np.sqrt(sn + mp)), rel=0.03)


def test_a_low_gonion_flattens_nothing_but_moves_the_plane() -> None:
    straight = mark_points(many_faces(1), reading(1), 0.0, np.random.default_rng(3))
    low = mark_points(many_faces(1), reading(1, low_gonion=1.0), 0.0, np.random.default_rng(3))
    assert FORMULAS["sn_gogn_deg"](low)[0] < FORMULAS["sn_gogn_deg"](straight)[0] - 0.5
    assert FORMULAS["sn_pp_deg"](low)[0] == FORMULAS["sn_pp_deg"](straight)[0]


def test_an_unreadable_point_leaves_its_measures_empty_and_no_others() -> None:
    marked = mark_points(many_faces(5000), reading(5000), 30.0, np.random.default_rng(4))
    lost = np.isnan(marked["Ba"].real)
    assert lost.mean() == pytest.approx(0.36, abs=0.03)
    assert (np.isnan(FORMULAS["facial_axis_deg"](marked)) >= lost).all()
    assert not np.isnan(FORMULAS["tafh_mm"](marked)).any()


def test_points_and_values_handed_over_agree_by_the_geometry_of_the_warehouse(demo: Cohort) -> None:
    mine = demo.of_practice("MILLRACE")
    computed = compute(mine.landmarks, None, measures=CATALOGUE).filter(pl.col("measure").is_in(list(FORMULAS)))
    given = mine.measurements().filter(pl.col("measure").is_in(list(FORMULAS)))
    key = ["case_id", "timepoint", "examiner", "repeat_no", "measure"]
    both = given.join(computed.drop_nulls("value"), on=key, how="full", coalesce=True)
    assert both.height == given.height > 9000
    assert both["value"].null_count() == both["value_right"].null_count() == 0
    assert (both["value"] - both["value_right"]).abs().max() <= 0.05 + 1e-9
