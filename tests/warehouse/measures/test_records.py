"""Enlargement, scale, and kinds of gonion and porion: corrected, named, and never mixed in silence."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import polars as pl
import pytest

from warehouse.errors import RequestError
from warehouse.measures.geometry import compute

if TYPE_CHECKING:
    from collections.abc import Callable

    Points = dict[str, tuple[float, float]]

VERTICAL = {"ANS": (0.0, 0.0), "Me": (0.0, -70.0)}


def _visits(**columns: list[object]) -> pl.DataFrame:
    return pl.DataFrame({"case_id": ["c1", "c1"], "timepoint": ["start", "finish"], **columns}, strict=False)


@pytest.fixture
def both_times(g1: Points, tracing: Callable[..., pl.DataFrame]) -> pl.DataFrame:
    return pl.concat([tracing(g1), tracing(g1, timepoint="finish")])


def _row(rows: pl.DataFrame, measure: str, timepoint: str = "start") -> dict[str, Any]:
    return rows.row(by_predicate=(pl.col("measure") == measure) & (pl.col("timepoint") == timepoint), named=True)


def test_both_radiographs_are_brought_to_true_size(
    tracing: Callable[..., pl.DataFrame], reference: dict[str, Any]
) -> None:
    known = reference["enlargement"]
    film = [
        tracing({**VERTICAL, "Me": (0.0, -mm)}, timepoint=t)
        for t, mm in zip(("start", "finish"), known["film"], strict=True)
    ]
    rows = compute(pl.concat(film), _visits(magnification_pct=known["percent"]))
    start, finish = _row(rows, "lafh_mm"), _row(rows, "lafh_mm", "finish")
    assert [start["value"], finish["value"]] == pytest.approx(known["true"], abs=1e-4)
    assert finish["value"] - start["value"] == pytest.approx(known["true_change"], abs=1e-3)
    assert start["variant"] == "true size"
    assert start["caution"] == "enlargement differs between times (8 % and 12 %): each value was brought to true size"


def test_enlargement_leaves_angles_and_shares_alone(both_times: pl.DataFrame) -> None:
    plain, known = compute(both_times), compute(both_times, _visits(magnification_pct=[8.0, 12.0]))
    for measure in ("sn_gogn_deg", "jarabak_pct", "lafh_perpendicular_pct", "anb_deg"):
        assert _row(plain, measure, "finish")["value"] == _row(known, measure, "finish")["value"]
        assert _row(known, measure)["caution"] is None


def test_unknown_enlargement_is_said(both_times: pl.DataFrame) -> None:
    row = _row(compute(both_times), "tafh_mm")
    assert row["value"] == pytest.approx(116.499, abs=1e-3)
    assert row["variant"] == "as on the film"
    assert row["caution"] == "enlargement of the radiograph is not stated: the value is as on the film"


@pytest.mark.parametrize("unknown", [None, float("nan"), -100.0])
def test_enlargement_known_at_one_time_only_forbids_comparing(both_times: pl.DataFrame, unknown: float | None) -> None:
    rows = compute(both_times, _visits(magnification_pct=[8.0, unknown]))
    assert _row(rows, "tafh_mm")["variant"] == "true size"
    assert _row(rows, "tafh_mm", "finish")["variant"] == "as on the film"
    for timepoint in ("start", "finish"):
        text = "enlargement is stated at some times only: do not compare between times"
        assert _row(rows, "tafh_mm", timepoint)["caution"] == text


def test_equal_enlargement_needs_no_caution(both_times: pl.DataFrame) -> None:
    row = _row(compute(both_times, _visits(magnification_pct=[8.5, 8.5])), "tafh_mm")
    assert row["caution"] is None
    assert row["value"] == pytest.approx(116.49893 / 1.085, abs=1e-4)


def test_kinds_of_gonion_and_porion_make_the_variant(both_times: pl.DataFrame) -> None:
    visits = _visits(gonion_kind=["constructed", "constructed"], porion_kind=["machine", "machine"])
    rows = compute(both_times, visits)
    assert _row(rows, "fma_deg")["variant"] == "porion machine; gonion constructed"
    assert _row(rows, "pfh_mm")["variant"] == "gonion constructed; as on the film"
    assert _row(rows, "y_axis_fh_deg")["variant"] == "porion machine"
    assert _row(rows, "sna_deg")["variant"] == "as defined"
    assert _row(rows, "overjet_mm")["variant"].startswith("occlusal plane through molar and incisor midpoints; ")
    assert _row(rows, "fma_deg")["caution"] is None


def test_kinds_not_stated_are_named_as_such(both_times: pl.DataFrame) -> None:
    assert _row(compute(both_times), "sn_gogn_deg")["variant"] == "gonion kind not stated"


def test_kinds_that_differ_between_times_are_cautioned_against(both_times: pl.DataFrame) -> None:
    visits = _visits(gonion_kind=["constructed", "anatomic"], porion_kind=["machine", None])
    rows = compute(both_times, visits)
    gonion = "gonion kind differs between times (anatomic and constructed)"
    porion = "porion kind is stated at some times only: do not compare between times"
    assert _row(rows, "mmpa_deg")["caution"] == gonion
    assert _row(rows, "fma_deg")["caution"] == f"{porion}; {gonion}"
    assert _row(rows, "sna_deg")["caution"] is None


def test_times_may_be_categories_on_one_side_only(both_times: pl.DataFrame) -> None:
    visits = _visits(magnification_pct=[8.0, 8.0])
    kind = pl.Enum(["start", "progress", "finish", "follow_up"])
    expected = compute(both_times, visits)
    assert compute(both_times, visits.with_columns(pl.col("timepoint").cast(kind))).equals(expected)
    enumerated = compute(both_times.with_columns(pl.col("timepoint").cast(kind)), visits)
    assert enumerated["value"].equals(expected["value"])


def test_cases_do_not_caution_each_other(g1: Points, tracing: Callable[..., pl.DataFrame]) -> None:
    two = pl.concat([tracing(g1), tracing(g1, case_id="c2")])
    visits = pl.DataFrame(
        {"case_id": ["c1", "c2"], "timepoint": ["start", "start"], "gonion_kind": ["constructed", "anatomic"]}
    )
    rows = compute(two, visits).filter(pl.col("measure") == "sn_gogn_deg")
    assert rows["caution"].to_list() == [None, None]
    assert rows["variant"].to_list() == ["gonion constructed", "gonion anatomic"]


def test_pixels_without_a_scale_give_angles_but_no_lengths(both_times: pl.DataFrame) -> None:
    rows = compute(both_times.with_columns(unit=pl.lit("px")))
    assert _row(rows, "sn_gogn_deg")["value"] == pytest.approx(31.947, abs=1e-3)
    assert _row(rows, "lafh_mm")["value"] is None
    assert _row(rows, "lafh_mm")["reason"] == "not measurable: the points are in pixels and no scale is given"


def test_the_scale_and_the_enlargement_of_the_visit_are_used_together(both_times: pl.DataFrame) -> None:
    rows = compute(
        both_times.with_columns(unit=pl.lit("px")),
        _visits(image_scale_mm_per_px=[0.1, 0.2], magnification_pct=[10.0, 10.0]),
    )
    assert _row(rows, "tafh_mm")["value"] == pytest.approx(11.649893 / 1.1, abs=1e-5)
    assert _row(rows, "tafh_mm", "finish")["value"] == pytest.approx(23.299785 / 1.1, abs=1e-5)


@pytest.mark.parametrize("scale", [0.0, -0.1, float("nan"), float("inf")])
def test_a_scale_that_is_no_scale_is_not_used(both_times: pl.DataFrame, scale: float) -> None:
    rows = compute(both_times.with_columns(unit=pl.lit("px")), _visits(image_scale_mm_per_px=[scale, scale]))
    assert _row(rows, "tafh_mm")["reason"] == "not measurable: the points are in pixels and no scale is given"


def test_one_scale_of_a_visit_does_not_serve_two_pictures(
    both_times: pl.DataFrame, tracing: Callable[..., pl.DataFrame]
) -> None:
    lips = tracing({"Stms": (0, 0), "Stmi": (0, -30)}, view="frontal_photo")
    pixels = pl.concat([both_times, lips]).with_columns(unit=pl.lit("px"))
    rows = compute(pixels, _visits(image_scale_mm_per_px=[0.1, 0.1]))
    text = "not measurable: the visit states one scale for two pictures; state it with the points"
    assert _row(rows, "tafh_mm")["reason"] == text
    assert _row(rows, "tafh_mm", "finish")["value"] == pytest.approx(11.65, abs=1e-3)
    own = pixels.with_columns(image_scale_mm_per_px=pl.when(pl.col("view") == "frontal_photo").then(0.2).otherwise(0.1))
    photo = compute(own).filter((pl.col("view") == "frontal_photo") & (pl.col("measure") == "lip_gap_mm"))
    assert photo["value"].to_list() == pytest.approx([6.0])
    assert photo["variant"].to_list() == ["frontal photo; as in the photo"]
    assert photo["caution"].to_list() == [None]


def test_enlargement_of_the_radiograph_does_not_touch_a_photo(tracing: Callable[..., pl.DataFrame]) -> None:
    lips = tracing({"Stms": (0, 0), "Stmi": (0, -3)}, view="profile_photo")
    rows = compute(lips, _visits(magnification_pct=[10.0, 10.0]))
    assert _row(rows, "lip_gap_mm")["value"] == pytest.approx(3.0)


def test_a_visit_given_twice_is_refused(both_times: pl.DataFrame) -> None:
    visits = pl.DataFrame({"case_id": ["c1", "c1"], "timepoint": ["start", "start"]})
    with pytest.raises(RequestError, match="hold a case and time twice"):
        compute(both_times, visits)


def test_examiners_repeats_and_row_order_are_kept_apart(g1: Points, tracing: Callable[..., pl.DataFrame]) -> None:
    moved = {**g1, "Go": (-10.0, -70.0)}
    readings = [
        tracing(g1, examiner="a", repeat_no=1),
        tracing(moved, examiner="a", repeat_no=2),
        tracing(moved, examiner="b", repeat_no=1),
    ]
    rows = compute(pl.concat(readings))
    shuffled = compute(pl.concat(readings).sample(fraction=1.0, shuffle=True, seed=3))
    keys = ["examiner", "repeat_no", "measure"]
    assert rows.sort(keys).select(*keys, "value").equals(shuffled.sort(keys).select(*keys, "value"))
    gonial = rows.filter(pl.col("measure") == "sn_gogn_deg")
    assert gonial.select("examiner", "repeat_no").rows() == [("a", 1), ("a", 2), ("b", 1)]
    assert gonial["value"][1] == gonial["value"][2] != gonial["value"][0]


def test_examiner_and_repeat_default_to_one_reading(g1: Points, tracing: Callable[..., pl.DataFrame]) -> None:
    rows = compute(tracing(g1).drop("examiner", "repeat_no"))
    assert rows.select("examiner", "repeat_no").unique().rows() == [("1", 1)]


def test_codes_may_be_categories(g1: Points, tracing: Callable[..., pl.DataFrame]) -> None:
    plain = tracing(g1)
    for kind in (pl.Categorical(), pl.Enum([*g1, "unused"])):
        assert compute(plain.with_columns(pl.col("landmark").cast(kind))).equals(compute(plain))
