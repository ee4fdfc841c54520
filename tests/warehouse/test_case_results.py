"""What follows from the measures of a case, what treatment did to the teeth, and what became of it afterwards."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.hand_made import key, made_case, reader_of
from warehouse.cases.case_results import case_results
from warehouse.cases.occlusal_results import occlusal_results
from warehouse.cases.relapse import relapse
from warehouse.marts.reader import Reader
from warehouse.measures.catalogue import PAR_WEIGHTS
from warehouse.questions.case_export import case_frame
from warehouse.selection import Selection
from warehouse.words.sentences import caution_text

PARTS = PAR_WEIGHTS["uk"].codes


def scores(time: str, *values: float) -> dict[str, float]:
    return {f"{code}_{time}": value for code, value in zip(PARTS, values, strict=True)}


def par(start: float, finish: float) -> dict[str, float]:
    return {"par_uk_points_start": start, "par_uk_points_finish": finish}


ROWS = [
    # worked example, UK weights: 6 + 5 + 3 + 3 x 6 + 2 x 2 + 1 x 4 = 40 and 1 + 1 + 1 = 3
    made_case("parts", **scores("start", 6, 5, 3, 3, 2, 1), **scores("finish", 1, 1, 1, 0, 0, 0)),
    made_case("some parts", **dict(list(scores("start", 6, 5, 3, 3, 2, 1).items())[:5])),
    made_case("greatly", **par(40, 18)),
    made_case("improved", **par(30, 21)),
    made_case("same", **par(20, 15)),
    made_case("clash", **par(90, 66)),
    made_case("none", **par(0, 0)),
    made_case("waiting", status="in_treatment", **par(40, 10)),
    made_case(
        "face",
        sex="male",
        age_at_start=9.0,
        facial_index_pct_start=87.9,
        facial_index_pct_finish=88.0,
        nose_tip_to_incisor_mm_start=31.0,
        nose_tip_to_incisor_mm_finish=42.5,
        overjet_mm_start=6.0,
        mouth_posture_start="closed",
        irregularity_mm_start=10.0,
        irregularity_mm_finish=0.0,
        irregularity_mm_follow_up=3.2,
    ),
    made_case("girl", facial_index_pct_start=87.9, overjet_mm_start=6.0, age_at_start=30.0,
              nose_tip_to_incisor_mm_start=37.0),
    made_case("back", sn_gogn_deg_start=32.0, sn_gogn_deg_finish=33.0, sn_gogn_deg_follow_up=32.0,
              gonion_kind_finish="anatomic", gonion_kind_follow_up="anatomic"),
    made_case("back too", sn_gogn_deg_start=30.0, sn_gogn_deg_finish=30.0, sn_gogn_deg_follow_up=30.6),
    made_case("unlike", sn_gogn_deg_finish=30.0, sn_gogn_deg_follow_up=36.0,
              gonion_kind_finish="anatomic", gonion_kind_follow_up="constructed"),
]  # fmt: skip


@pytest.fixture(scope="module")
def reader(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Reader]:
    with reader_of(tmp_path_factory.mktemp("results"), ROWS) as opened:
        yield opened


@pytest.fixture(scope="module")
def results(reader: Reader) -> dict[str, dict[str, Any]]:
    keys = dict(reader.connection.rows("select case_no, case_key from mart_cases"))
    names = {key(name): name for name in ("parts", "some parts", "greatly", "improved", "same", "clash", "none",
                                           "waiting", "face", "girl", "back", "back too", "unlike")}  # fmt: skip
    return {names[keys[row["case_no"]]]: row for row in case_results(reader).to_dicts()}


def test_a_total_not_handed_over_is_added_up_from_its_components(results: dict[str, dict[str, Any]]) -> None:
    found = results["parts"]
    assert (found["par_start"], found["par_finish"]) == (40.0, 3.0)
    assert found["par_percent_reduction"] == pytest.approx(92.5)
    assert found["par_improvement"] == "greatly improved"


def test_without_all_components_there_is_no_total(results: dict[str, dict[str, Any]]) -> None:
    assert results["some parts"]["par_start"] is None
    assert results["some parts"]["par_improvement"] is None


def test_a_total_handed_over_stands(results: dict[str, dict[str, Any]]) -> None:
    assert results["greatly"]["par_start"] == 40.0


def test_components_alone_give_a_score_to_every_published_table(tmp_path: Path) -> None:
    with reader_of(tmp_path, [ROWS[0]]) as opened:
        before, after = opened.connection.rows(
            "select par_uk_points__before, par_uk_points__after from mart_spans where span = 'start_to_finish'"
        )[0]
    assert (before, after) == (40.0, 3.0)


@pytest.mark.parametrize(
    ("case", "category"),
    [
        # Richmond 1992 (abstract): from 30 % improved, from 22 points greatly improved; both are needed for the latter
        ("greatly", "greatly improved"),
        ("improved", "improved"),
        ("same", "worse or no different"),
        ("clash", "worse or no different"),
        ("none", "worse or no different"),
        ("face", None),
    ],
)
def test_categories_of_improvement(results: dict[str, dict[str, Any]], case: str, category: str | None) -> None:
    assert results[case]["par_improvement"] == category


def test_face_types_and_need_of_single_cases(results: dict[str, dict[str, Any]]) -> None:
    boy, girl = results["face"], results["girl"]
    assert (boy["facial_index_class_start"], boy["facial_index_class_finish"]) == ("mesoprosopic", "leptoprosopic")
    assert girl["facial_index_class_start"] == "leptoprosopic"  # the same index on the scale for females
    assert (boy["iotn_overjet_grade_start"], girl["iotn_overjet_grade_start"]) == ("2a", "3a")
    assert [boy[f"irregularity_class_{time}"] for time in ("start", "finish", "follow_up")] == [
        "very severe", "perfect", "moderate",
    ]  # fmt: skip


def test_the_rule_of_thumb_goes_by_age_and_is_named_as_such(results: dict[str, dict[str, Any]]) -> None:
    boy, woman = results["face"], results["girl"]
    assert boy["nose_tip_rule_of_thumb_mm_start"] == pytest.approx(23 + 9)
    assert boy["nose_tip_rule_of_thumb_mm_finish"] == pytest.approx(23 + 11)
    assert woman["nose_tip_rule_of_thumb_mm_start"] == 36.0
    assert boy["nose_tip_unfavourable_by_rule_of_thumb_start"] is False
    assert boy["nose_tip_unfavourable_by_rule_of_thumb_finish"] is True
    assert all("rule_of_thumb" in column for column in boy if column.startswith("nose_tip"))


def test_results_of_the_teeth_count_finished_cases_with_a_score(reader: Reader) -> None:
    found = occlusal_results(reader)
    assert found.counts == {"greatly improved": 2, "improved": 1, "worse or no different": 3}
    assert found.shares["greatly improved"].value == pytest.approx(2 / 6)
    assert found.shares["greatly improved"].interval is not None
    # by hand: reductions of 92.5, 55, 30, 25 and 26.667 %; the case without a score at start has none
    assert found.reduction.value == pytest.approx((92.5 + 55 + 30 + 25 + 80 / 3) / 5)
    assert (found.reduction.n, found.points.n) == (5, 6)
    assert found.n_finished == 12


def test_without_a_score_it_is_said_in_words(reader: Reader) -> None:
    found = occlusal_results(reader, selection=Selection(filters={"sex": ("other",)}))
    assert found.shares["improved"].value is None
    assert caution_text(found.reduction.warnings[0]) == "No case has both times."


def test_relapse_is_the_mean_change_after_the_finish(reader: Reader) -> None:
    found = {one.measure: one for one in relapse(reader)}["sn_gogn_deg"]
    # by hand: -1.0 and +0.6; the case marked in unlike ways is left out and counted
    assert found.change.value == pytest.approx(-0.2)
    assert found.change.interval is not None
    assert (found.change.n, found.n_unlike) == (2, 1)
    assert found.months == 24.0
    assert found.gained.value == pytest.approx(0.5)
    assert found.adjusted.value == pytest.approx(-0.2 + 0.6)  # ordinary growth of two years: -0.6


def test_measures_nobody_has_at_both_times_have_no_relapse(reader: Reader) -> None:
    assert {one.measure for one in relapse(reader)} == {"sn_gogn_deg", "irregularity_mm"}
    assert relapse(reader, selection=Selection(filters={"sex": ("other",)})) == ()


def test_the_case_export_holds_the_results(reader: Reader) -> None:
    frame = case_frame(reader)
    assert set(case_results(reader).columns) - {"case_no"} <= set(frame.columns)
    assert frame.filter(case_key=key("greatly"))["par_improvement"].to_list() == ["greatly improved"]


def test_the_command_tells_all_of_it(reader: Reader, capsys: pytest.CaptureFixture[str]) -> None:
    from pipelines.cli import main

    folder = str(reader.snapshot.path.parent)
    assert main(["results", "--warehouse", folder]) == 0
    told = capsys.readouterr().out
    assert "common practice, no source; a rule of thumb and never a norm" in told
    assert "Facial index at start, scale for the sex — mesoprosopic: 1, leptoprosopic: 1" in told
    assert "Relapse: mean change after the finish" in told
    assert main(["results", "--warehouse", folder, "--json", "--only", "sex=other"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["relapse"] == []
    (improved,) = (one for one in found["teeth"]["improvement"] if one["group"] == "improved")
    assert improved["share"]["value"] is None
