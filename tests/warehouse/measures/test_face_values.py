"""The measures of a known face, and agreement with an independent geometry library."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import pytest
import shapely
from shapely import affinity

from warehouse.measures.catalogue import CATALOGUE
from warehouse.measures.formulae import Distance, LineThrough, Midpoint, PlaneAngle, Projection, Ratio, VertexAngle

if TYPE_CHECKING:
    from collections.abc import Callable

    Points = dict[str, tuple[float, float]]
    Values = dict[str, float | None]


@pytest.fixture
def g1_values(values: Callable[..., Values], g1: Points) -> Values:
    return values(g1)


def test_face_g1_has_its_known_values_to_three_decimals(g1_values: Values, reference: dict[str, Any]) -> None:
    expected = reference["face_g1"]["values"]
    assert {code: g1_values[code] for code in expected} == pytest.approx(expected, abs=5.1e-4)


def test_the_two_lower_face_shares_of_g1_differ(g1_values: Values) -> None:
    assert g1_values["lafh_direct_pct"] - g1_values["lafh_perpendicular_pct"] == pytest.approx(2.68, abs=0.01)


def test_the_saddle_and_articular_angles_of_g1_make_the_rest_of_the_bjork_sum(g1_values: Values) -> None:
    # saddle 120.326 and articular 149.069 from the same worked face
    assert g1_values["bjork_sum_deg"] - g1_values["gonial_deg"] == pytest.approx(120.326 + 149.069, abs=1.1e-3)


def test_photo_measures_of_a_face_drawn_by_hand(values: Callable[..., Values]) -> None:
    frontal = {"N'": (0, 0), "Gn'": (0, -120), "ZyR": (-75, -30), "ZyL": (75, -30), "Sn": (0, -48)}
    got = values(frontal, view="frontal_photo", unit="px", faces=None, y_axis=None)
    assert got["facial_index_pct"] == pytest.approx(80.0)
    assert got["lower_third_pct"] == pytest.approx(60.0)
    assert got["lip_gap_mm"] is None


def test_a_right_nasolabial_angle(values: Callable[..., Values]) -> None:
    profile = {"Sn": (10, 0), "Cm": (17, 7), "Ls": (15, -5), "Stms": (12, -10), "Stmi": (12, -13)}
    got = values(profile, view="profile_photo", faces="left")
    assert got["nasolabial_deg"] == pytest.approx(90.0)
    assert got["lip_gap_mm"] == pytest.approx(3.0)


def test_lips_that_meet_have_no_gap(values: Callable[..., Values]) -> None:
    assert values({"Stms": (1, 2), "Stmi": (1, 2)}, view="profile_photo")["lip_gap_mm"] == 0.0


def test_nose_tip_to_incisor_is_a_three_four_five_triangle(values: Callable[..., Values]) -> None:
    assert values({"Prn": (30, 40), "U1T": (0, 0)})["nose_tip_to_incisor_mm"] == pytest.approx(50.0)


def _xy(point: str | Midpoint, points: Points) -> shapely.Point:
    if isinstance(point, Midpoint):
        return shapely.LineString([points[point.first], points[point.second]]).interpolate(0.5, normalized=True)
    return shapely.Point(points[point])


def _segment(line: LineThrough, points: Points) -> shapely.LineString:
    return shapely.LineString([_xy(line.start, points), _xy(line.end, points)])


def _by_shapely(formula: object, points: Points) -> float | None:
    """Lengths and projections by shapely (GEOS)."""
    match formula:
        case Distance(line):
            return _xy(line.start, points).distance(_xy(line.end, points))
        case Ratio(part, whole):
            return 100.0 * _segment(part, points).length / _segment(whole, points).length
        case Projection(span, plane, False):
            long = affinity.scale(_segment(plane, points), 50, 50)
            return long.project(_xy(span.end, points)) - long.project(_xy(span.start, points))
        case Projection(span, plane, True):
            long = affinity.scale(_segment(plane, points), 50, 50)
            foot = {
                end: long.distance(_xy(end, points)) * _side(long, _xy(end, points)) for end in (span.start, span.end)
            }
            return foot[span.end] - foot[span.start]
        case _:
            return None


def _side(line: shapely.LineString, point: shapely.Point) -> int:
    ring = shapely.LinearRing([*line.coords, point.coords[0]])
    return 1 if ring.is_ccw else -1


LENGTHS = [
    code
    for code, entry in CATALOGUE.items()
    if isinstance(entry.formula, Distance | Ratio | Projection) and "lateral_radiograph" in entry.views
]


@pytest.mark.parametrize("code", LENGTHS)
def test_shapely_agrees_on_lengths_shares_and_projections(code: str, g1: Points, values: Callable[..., Values]) -> None:
    points = {
        **g1,
        "Prn": (100, -50),
        "Stms": (88, -68),
        "Stmi": (87, -72),
        "N'": (78, 6),
        "Sn": (86, -50),
        "Gn'": (52, -118),
    }
    assert values(points)[code] == pytest.approx(_by_shapely(CATALOGUE[code].formula, points), abs=1e-9)


ANGLES = [
    code
    for code, entry in CATALOGUE.items()
    if isinstance(entry.formula, PlaneAngle | VertexAngle) and code != "nasolabial_deg"
]


@pytest.mark.parametrize("code", ANGLES)
def test_turning_by_the_angle_with_shapely_makes_the_lines_parallel(code: str, g1: Points, g1_values: Values) -> None:
    formula = CATALOGUE[code].formula
    first, second = _segment(formula.first, g1), _segment(formula.second, g1)
    angle = g1_values[code]
    turns = [angle] if isinstance(formula, PlaneAngle) else [angle, -angle]
    misses = [_turned_off(first, affinity.rotate(second, turn, origin=(0, 0))) for turn in turns]
    assert min(misses) < 1e-9


def _turned_off(first: shapely.LineString, second: shapely.LineString) -> float:
    (ax, ay), (bx, by) = first.coords
    (cx, cy), (dx, dy) = second.coords
    unit = (math.dist((ax, ay), (bx, by)), math.dist((cx, cy), (dx, dy)))
    return math.dist(((bx - ax) / unit[0], (by - ay) / unit[0]), ((dx - cx) / unit[1], (dy - cy) / unit[1]))


def test_the_ways_of_spine_and_chin_of_g1_against_the_cranial_base(values: Callable[..., Values], g1: Points) -> None:
    got = values(g1)
    length = math.hypot(70, 8)  # S (0, 0), N (70, 8); ANS (70, -44), Gn (51, -103): projected by hand
    assert got["ans_forward_mm"] == pytest.approx((70 * 70 - 44 * 8) / length)
    assert got["ans_down_mm"] == pytest.approx((70 * 8 + 44 * 70) / length)
    assert got["chin_forward_mm"] == pytest.approx((51 * 70 - 103 * 8) / length)
    assert got["chin_down_mm"] == pytest.approx((51 * 8 + 103 * 70) / length)
    both = {code: (x - 3.0, y - 4.0) if code not in {"S", "N"} else (x, y) for code, (x, y) in g1.items()}
    moved = values(both)  # both jaws 3 mm back and 4 mm down: along SN, which rises by 8 in 70
    assert moved["ans_forward_mm"] - got["ans_forward_mm"] == pytest.approx((-3 * 70 - 4 * 8) / length)
    assert moved["chin_down_mm"] - got["chin_down_mm"] == pytest.approx((-3 * 8 + 4 * 70) / length)


def test_the_tangent_plane_is_another_than_the_plane_through_gonion(values: Callable[..., Values], g1: Points) -> None:
    got = values(g1)  # Tgo (-2, -86), Me (46, -106)
    assert got["sn_tangent_deg"] == pytest.approx(math.degrees(math.atan2(8, 70) + math.atan2(20, 48)))
    assert got["fma_tangent_deg"] == pytest.approx(math.degrees(math.atan2(-2, 74) + math.atan2(20, 48)))
    assert values({code: xy for code, xy in g1.items() if code != "Tgo"})["sn_tangent_deg"] is None
