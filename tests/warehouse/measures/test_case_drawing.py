"""Which tracings of a case are drawn, and what is said where none can be."""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree
from math import dist
from typing import TYPE_CHECKING

import polars as pl
import pytest

from warehouse.errors import DefinitionError, RequestError
from warehouse.measures.case_drawing import draw_case, expected_points
from warehouse.measures.catalogue import CATALOGUE
from warehouse.measures.drawing import Growth, read_measure

if TYPE_CHECKING:
    from collections.abc import Callable

    Points = dict[str, tuple[float, float]]
    Tracing = Callable[..., pl.DataFrame]

SVG = "{http://www.w3.org/2000/svg}"


def times(svg: str) -> list[str]:
    return [
        g.attrib["data-time"]
        for g in ElementTree.fromstring(svg).iter(f"{SVG}g")
        if "data-time" in g.attrib and list(g)
    ]


def said(svg: str) -> str:
    return ElementTree.fromstring(svg).findtext(f"{SVG}desc") or ""


@pytest.fixture
def longer(g1: Points) -> Points:
    """The chin 5 mm lower, gonion where it was."""
    return {code: (x, y - 5.0 if code in ("Me", "Gn", "Pog") else y) for code, (x, y) in g1.items()}


def test_finish_is_drawn_over_start_and_the_chin_is_seen_to_drop(g1: Points, longer: Points, tracing: Tracing) -> None:
    both = pl.concat([tracing(g1), tracing(longer, timepoint="finish")])
    visits = pl.DataFrame({"case_id": "c1", "timepoint": ["start", "finish"], "magnification_pct": [0.0, 0.0]})
    svg = draw_case(both, visits, title="Case 1")
    assert times(svg) == ["start", "finish"]
    # arc tangent of 34/61 less that of 29/61 is 3.706 degrees
    assert "SN-GoGn rose by 3.7 from 31.9 at start to 35.7 degrees at finish" in said(svg)
    assert "the chin (Me) moved 5.0 mm down" in said(svg)


def test_the_first_reading_of_the_first_examiner_is_drawn(g1: Points, longer: Points, tracing: Tracing) -> None:
    several = pl.concat([tracing(longer, repeat_no=2), tracing(longer, examiner="b"), tracing(g1)])
    assert "31.9" in said(draw_case(several, None, title="Case 1"))


def test_one_time_alone_is_drawn_alone(g1: Points, tracing: Tracing) -> None:
    assert times(draw_case(tracing(g1), None, title="Case 1")) == ["start"]
    assert times(draw_case(tracing(g1, timepoint="finish"), None, title="Case 1")) == ["finish"]


def test_the_view_and_the_measure_may_be_chosen(g1: Points, tracing: Tracing) -> None:
    face = {"ZyR": (-60.0, 0.0), "ZyL": (60.0, 0.0), "N'": (0.0, 10.0), "Sn": (0.0, -40.0), "Gn'": (0.0, -105.0)}
    both = pl.concat([tracing(g1), tracing(face, view="frontal_photo")])
    index = draw_case(both, None, title="Case 1", view="frontal_photo", measure="facial_index_pct")
    assert "Facial index: 95.8 %" in said(index)
    planes = draw_case(both, None, title="Case 1", measure="mmpa_deg")
    assert "planes angle, MMPA: 29.7 degrees" in said(planes)


@pytest.mark.parametrize(
    ("changes", "options", "expected"),
    [
        ({"timepoint": "progress"}, {}, "no points at start or finish"),
        ({}, {"view": "profile_photo"}, "in the view profile_photo"),
        ({}, {"view": "oblique"}, "there is no view 'oblique'"),
        ({}, {"measure": "par_uk_points"}, "is not made from points"),
        ({}, {"measure": "facial_index_pct"}, "is not made from points of a lateral radiograph"),
        ({"faces": None}, {}, "not stated whether the face looks right or left"),
    ],
)
def test_what_cannot_be_drawn_is_said_in_words(
    g1: Points, tracing: Tracing, changes: dict[str, object], options: dict[str, str], expected: str
) -> None:
    frame = tracing(g1, **changes)
    if "faces" in changes:
        frame = frame.with_columns(pl.lit(None, pl.String).alias("faces"))
    with pytest.raises(RequestError) as refusal:
        draw_case(frame, None, title="Case 1", **options)
    assert expected in refusal.value.found


def test_an_unknown_measure_is_refused_with_near_names(g1: Points, tracing: Tracing) -> None:
    with pytest.raises(DefinitionError, match="sn_gogn_deg"):
        draw_case(tracing(g1), None, title="Case 1", measure="sn_gogn")


GROWN = {"sn_gogn_deg": -0.5, "lafh_mm": 2.0, "tafh_mm": 4.0}


def test_what_growth_alone_would_have_made_gives_every_measure_its_value_and_leaves_the_cranial_base(
    g1: Points,
) -> None:
    grown = expected_points(g1, GROWN)
    for code, added in GROWN.items():
        before, after = (read_measure(CATALOGUE[code], points)[0] for points in (g1, grown))
        assert before is not None
        assert after == pytest.approx(before + added, abs=0.02)
    assert all(grown[code] == pytest.approx(g1[code]) for code in ("S", "N", "Po", "Or"))


def test_a_length_that_grows_alone_moves_each_part_as_one(g1: Points) -> None:
    # The only pull is along ANS to Me, so that no point of the lower jaw may move unlike another one
    # (least squares: a common movement costs nothing of what parts them).
    grown = expected_points({code: g1[code] for code in ("S", "N", "ANS", "Me", "Go", "Pog")}, {"lafh_mm": 2.0})
    moves = [[b - a for a, b in zip(g1[code], grown[code], strict=True)] for code in ("Me", "Go", "Pog")]
    assert all(one == pytest.approx(moves[0], abs=0.15) for one in moves[1:])
    assert dist(grown["ANS"], grown["Me"]) == pytest.approx(dist(g1["ANS"], g1["Me"]) + 2.0, abs=0.01)


def test_nothing_is_expected_where_no_measure_can_be_had(g1: Points) -> None:
    assert expected_points(g1, {}) == {}
    assert expected_points(g1, {"par_uk_points": 1.0, "no_such": 1.0}) == {}
    assert expected_points(g1, {"lafh_mm": 2.0}, in_mm=False) == {}
    assert expected_points({"S": g1["S"], "N": g1["N"]}, {"sn_gogn_deg": 1.0}) == {}


def test_ages_interval_and_expected_growth_stand_in_the_drawing(g1: Points, longer: Points, tracing: Tracing) -> None:
    both = pl.concat([tracing(g1), tracing(longer, timepoint="finish")])
    known = Growth(ages=(11.0, 13.0), months=24.0, reference="R1 v2.0.0")
    svg = draw_case(both, None, title="Case 1", known=known, expected={"sn_gogn_deg": -0.5})
    assert times(svg) == ["start", "finish", "expected"]
    assert "24 months from start to finish" in svg
    assert "start, 11.0 years: 31.9°" in svg
    assert "finish, 13.0 years: 35.7°" in svg
    assert "expected from ordinary growth alone: 31.4°" in svg
    assert "(R1 v2.0.0)" in said(svg)
    assert times(draw_case(tracing(g1), None, title="Case 1", known=known, expected={"sn_gogn_deg": 1.0})) == ["start"]
