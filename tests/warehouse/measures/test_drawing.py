"""The drawing: points and lines only, registered as said, and the finding in words."""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING
from xml.etree import ElementTree

import pytest

from warehouse.errors import DefinitionError, RequestError
from warehouse.measures.catalogue import CATALOGUE
from warehouse.measures.drawing import LabelPlaces, superimpose, superimposed_svg

if TYPE_CHECKING:
    Points = dict[str, tuple[float, float]]

SVG = "{http://www.w3.org/2000/svg}"
LATERAL = "lateral_radiograph"
FRONTAL = {"N'": (0, 0), "Gn'": (0, -120), "ZyR": (-70, -30), "ZyL": (70, -30), "Sn": (0, -50)}


def _dropped(points: Points, *, down: float = 5.0) -> Points:
    """The lower jaw 5 mm further down, then the whole picture turned and moved."""
    lower = {"Me", "Gn", "Pog", "B", "Gn'"}
    moved = {code: (x, y - down if code in lower else y) for code, (x, y) in points.items()}
    cos, sin = math.cos(0.3), math.sin(0.3)
    return {code: (cos * x - sin * y + 90.0, sin * x + cos * y - 40.0) for code, (x, y) in moved.items()}


def _parsed(svg: str) -> ElementTree.Element:
    return ElementTree.fromstring(svg)


def _desc(svg: str) -> str:
    return _parsed(svg).find(f"{SVG}desc").text


def test_radiographs_are_laid_on_sella_along_the_cranial_base(g1: Points) -> None:
    laid = superimpose(g1, _dropped(g1), view=LATERAL)
    assert laid.start["S"] == pytest.approx((0.0, 0.0))
    assert laid.finish["S"] == pytest.approx((0.0, 0.0))
    assert laid.finish["N"] == pytest.approx(laid.start["N"])
    assert math.degrees(math.atan2(laid.start["N"][1], laid.start["N"][0])) == pytest.approx(7.0)
    assert math.dist(laid.start["Me"], laid.finish["Me"]) == pytest.approx(5.0)
    assert laid.problems == ()


def test_photos_are_brought_to_one_width(g1: Points) -> None:
    larger = {code: (3.0 * x, 3.0 * y) for code, (x, y) in FRONTAL.items()}
    laid = superimpose(FRONTAL, larger, view="frontal_photo")
    for code, xy in laid.start.items():
        assert laid.finish[code] == pytest.approx(xy)


def test_without_a_scale_both_times_are_brought_to_one_size(g1: Points) -> None:
    double = {code: (2.0 * x, 2.0 * y) for code, (x, y) in g1.items()}
    laid = superimpose(g1, double, view=LATERAL, in_mm=False)
    assert laid.finish["Me"] == pytest.approx(laid.start["Me"])
    svg = superimposed_svg(g1, double, view=LATERAL, title="t", in_mm=False)
    assert "Superimposed on S along SN, at one length of it since no scale is known." in _desc(svg)
    assert "10 mm" not in svg
    assert "the chin (Me) did not move" in _desc(superimposed_svg(g1, g1, view=LATERAL, title="t", in_mm=False))


def test_the_finding_is_told_in_the_description(g1: Points) -> None:
    words = _desc(superimposed_svg(g1, _dropped(g1), view=LATERAL, title="t"))
    assert "Mandibular plane to cranial base, SN-GoGn rose by" in words
    assert "from 31.9 at start to" in words
    assert "A rise means: longer face." in words
    assert "the chin (Me) moved 5.0 mm down" in words
    assert "ordinary growth and tracing error are not taken off" in words
    assert "Not a diagnosis" in words


def test_no_change_is_told_as_such(g1: Points) -> None:
    words = _desc(superimposed_svg(g1, dict(g1), view=LATERAL, title="t"))
    assert "did not change: 31.9 degrees at start and at finish" in words
    assert "the chin (Me) did not move" in words


def test_a_chin_moving_up_and_forwards_is_told_as_such(g1: Points) -> None:
    words = _desc(
        superimposed_svg(g1, {**g1, "Me": (49.0, -100.0)}, view=LATERAL, title="t", measure="lafh_direct_pct")
    )
    assert re.search(r"moved 6\.0 mm up and 2\.9 mm forwards", words)
    assert "Lower face share, direct fell by" in words


def test_photos_tell_no_millimetres(g1: Points) -> None:
    svg = superimposed_svg(FRONTAL, _dropped(FRONTAL), view="frontal_photo", title="t", measure="facial_index_pct")
    assert "Relative to the upper face, the chin (Gn') moved down." in _desc(svg)
    assert "10 mm" not in svg
    still = _desc(superimposed_svg(FRONTAL, FRONTAL, view="frontal_photo", title="t", measure=None))
    assert "(Gn') did not move" in still


def test_a_scale_bar_is_drawn_only_for_millimetres(g1: Points) -> None:
    assert "10 mm" in superimposed_svg(g1, {}, view=LATERAL, title="t")
    assert "10 mm" not in superimposed_svg(g1, {}, view=LATERAL, title="t", in_mm=False)


def test_start_and_finish_differ_in_line_and_marker_not_only_in_colour(g1: Points) -> None:
    svg = _parsed(superimposed_svg(g1, _dropped(g1), view=LATERAL, title="t"))
    start, finish = svg.findall(f"{SVG}g[@data-time]")
    assert len(start.findall(f"{SVG}circle")) == len(g1)
    assert len(finish.findall(f"{SVG}rect")) == len(g1)
    assert not start.findall(f"{SVG}rect")
    assert not finish.findall(f"{SVG}circle")
    assert all(line.get("stroke-dasharray") is None for line in start.findall(f"{SVG}line"))
    assert all(line.get("stroke-dasharray") for line in finish.findall(f"{SVG}line"))


@pytest.mark.parametrize("code", [code for code, entry in CATALOGUE.items() if LATERAL in entry.views])
def test_every_measure_can_be_drawn_inside_the_picture(g1: Points, code: str) -> None:
    full = {**g1, "Prn": (98, -46), "Cm": (92, -50), "Sn": (86, -52), "Ls": (88, -60), "Stms": (85, -66)}
    full |= {"Stmi": (85, -69), "N'": (78, 6), "Gn'": (52, -116), "Pog'": (64, -98)}
    svg = _parsed(superimposed_svg(full, _dropped(full), view=LATERAL, title="t", measure=code))
    width, height = (float(part) for part in svg.get("viewBox").split()[2:])
    for node in svg.iter():
        for name in ("x", "x1", "x2", "cx"):
            assert 0.0 <= float(node.get(name, "1")) <= width
        for name in ("y", "y1", "y2", "cy"):
            assert 0.0 <= float(node.get(name, "1")) <= height
    assert "not measurable" not in svg.find(f"{SVG}desc").text


@pytest.mark.parametrize(("code", "arcs"), [("sn_gogn_deg", 2), ("y_axis_sn_deg", 2), ("anb_deg", 0), ("lafh_mm", 0)])
def test_one_angle_is_marked_by_an_arc_a_time(g1: Points, code: str, arcs: int) -> None:
    svg = superimposed_svg(g1, _dropped(g1), view=LATERAL, title="t", measure=code)
    assert len(re.findall(r"<path d=\"M [\d.]+ [\d.]+ A ", svg)) == arcs


def test_the_arc_spans_the_angle(g1: Points) -> None:
    svg = superimposed_svg(g1, {}, view=LATERAL, title="t")
    number = r"(-?[\d.]+)"
    ax, ay, radius, _, bx, by = map(
        float, re.search(rf"<path d=\"M {number} {number} A {number} {number} 0 0 1 {number} {number}\"", svg).groups()
    )
    chord = 2.0 * radius * math.sin(math.radians(31.947 / 2.0))
    assert math.dist((ax, ay), (bx, by)) == pytest.approx(chord, abs=0.02)


def test_a_time_that_cannot_be_laid_is_left_out_and_named(g1: Points) -> None:
    lost = {code: xy for code, xy in g1.items() if code not in ("S", "N")}
    svg = superimposed_svg(g1, lost, view=LATERAL, title="t")
    assert "Finish is not drawn: S and N missing." in _desc(svg)
    assert "SN-GoGn: 31.9 degrees at start, not measurable at finish (S and N missing)." in _desc(svg)
    assert svg.count('data-time="finish"') == 1
    assert 'stroke-dasharray="7 5"' not in svg
    spot = superimposed_svg({**g1, "N": g1["S"]}, {}, view=LATERAL, title="t")
    assert "Start is not drawn: S and N lie on one spot" in _desc(spot)


def test_no_points_at_all_still_give_a_drawing_that_says_so() -> None:
    words = _desc(superimposed_svg({}, {}, view=LATERAL, title="t"))
    assert "not measurable: S, N, Go and Gn missing" in words
    assert _desc(superimposed_svg({}, {}, view=LATERAL, title="t", measure="par_uk_points")).startswith(
        "Weighted PAR score (UK weights): not measurable: it is not made from landmarks."
    )


def test_points_that_are_no_numbers_count_as_missing(g1: Points) -> None:
    svg = superimposed_svg({**g1, "Go": (math.nan, 1.0)}, {}, view=LATERAL, title="t")
    assert "not measurable: Go missing" in _desc(svg)
    assert "nan" not in svg


def test_one_time_alone_is_told_as_one_value(g1: Points) -> None:
    words = _desc(superimposed_svg(g1, {}, view=LATERAL, title="t", measure=CATALOGUE["overjet_mm"]))
    assert words == "Overjet: 3.3 mm. One time only. Not a diagnosis."


def test_the_heading_is_escaped_and_names_the_picture(g1: Points) -> None:
    svg = superimposed_svg(g1, {}, view=LATERAL, title="A & <B>", element_id="case-7")
    root = _parsed(svg)
    assert root.find(f"{SVG}title").text == "A & <B>"
    assert root.get("role") == "img"
    assert root.get("aria-labelledby") == "case-7-title case-7-desc"


def test_nothing_from_elsewhere_and_no_picture_is_in_the_drawing(g1: Points) -> None:
    svg = superimposed_svg(g1, _dropped(g1), view=LATERAL, title="t")
    tags = {node.tag.removeprefix(SVG) for node in _parsed(svg).iter()}
    assert tags <= {"svg", "title", "desc", "g", "rect", "circle", "line", "path", "polyline", "text"}
    assert "href" not in svg
    assert svg.count("http") == 1  # the name space


def test_the_drawing_is_the_same_every_time(g1: Points) -> None:
    backwards = dict(reversed(list(g1.items())))
    first = superimposed_svg(g1, _dropped(g1), view=LATERAL, title="t")
    assert first == superimposed_svg(g1, _dropped(g1), view=LATERAL, title="t")
    assert sorted(first.splitlines()) == sorted(
        superimposed_svg(backwards, _dropped(g1), view=LATERAL, title="t").splitlines()
    )


def test_unknown_views_and_measures_are_refused(g1: Points) -> None:
    with pytest.raises(RequestError, match="no view called 'oblique'"):
        superimposed_svg(g1, {}, view="oblique", title="t")
    with pytest.raises(DefinitionError, match="no measure called"):
        superimposed_svg(g1, {}, view=LATERAL, title="t", measure="fmaa")


def test_labels_keep_clear_of_points_and_of_each_other() -> None:
    places = LabelPlaces(markers=[(0.0, 0.0), (12.0, -8.0)], lines=[((0.0, 0.0), (30.0, 30.0))])
    first = places.place((0.0, 0.0), "AB")
    second = places.place((0.0, 0.0), "AB")
    assert first[2] == "end"  # the right-hand side holds a point above and a line below
    assert first != second
