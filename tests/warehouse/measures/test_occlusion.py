"""PAR, crowding, treatment need by overjet and incisor class, against their published rules."""

from __future__ import annotations

from typing import Any

import polars as pl
import pytest

from warehouse.errors import RequestError
from warehouse.measures import occlusion
from warehouse.measures.occlusal_and_photo_measures import PAR_WEIGHTS

COMPONENTS = PAR_WEIGHTS["uk"].codes


def _one(expression: pl.Expr, **columns: object) -> object:
    frame = pl.DataFrame({name: [value] for name, value in columns.items()}, strict=False)
    return frame.select(expression).item()


def test_the_worked_example_scores_40_then_3(reference: dict[str, Any]) -> None:
    example = reference["par_worked_example"]
    frame = pl.DataFrame([example["start"], example["finish"]], schema=list(COMPONENTS), orient="row")
    assert frame.select(occlusion.weighted_par()).to_series().to_list() == [
        example["start_total"],
        example["finish_total"],
    ]


def test_the_us_weights_leave_the_lower_front_out() -> None:
    # 1 x upper front + 2 x buccal + 5 x overjet + 3 x overbite + 3 x centreline (DeGuzman 1995, from memory)
    scores = dict(zip(COMPONENTS, (6, 5, 3, 3, 2, 1), strict=True))
    assert _one(occlusion.weighted_par("us"), **scores) == 6 + 6 + 15 + 6 + 3
    assert _one(occlusion.weighted_par("us"), **{**scores, "par_lower_anterior_points": None}) == 36


def test_a_missing_component_gives_no_total() -> None:
    assert _one(occlusion.weighted_par(), **dict.fromkeys(COMPONENTS[1:], 1.0), **{COMPONENTS[0]: None}) is None


def test_unknown_weights_are_refused() -> None:
    with pytest.raises(RequestError, match="no PAR weights called 'ukk'"):
        occlusion.weighted_par("ukk")


def test_improvement_categories_follow_the_published_limits(reference: dict[str, Any]) -> None:
    for start, finish, label in reference["par_improvement"]["pairs"]:
        assert _one(occlusion.par_improvement("a", "b"), a=start, b=finish) == label


@pytest.mark.parametrize(
    ("start", "finish", "label"),
    [
        (90, 66, "worse or no different"),  # 24 points but 26.7 %: both rules are needed
        (21, 0, "improved"),  # a start below 22 can never be greatly improved
        (22, 0, "greatly improved"),
        (10, 12, "worse or no different"),
        (0, 0, "worse or no different"),
        (0, 5, "worse or no different"),
        (None, 5, None),
        (30, None, None),
    ],
)
def test_the_order_of_the_rules_is_kept(start: int | None, finish: int | None, label: str | None) -> None:
    assert _one(occlusion.par_improvement("a", "b"), a=start, b=finish) == label


def test_percent_reduction_needs_something_to_reduce() -> None:
    assert _one(occlusion.par_percent_reduction("a", "b"), a=40.0, b=3.0) == pytest.approx(92.5)
    assert _one(occlusion.par_percent_reduction("a", "b"), a=0.0, b=3.0) is None


@pytest.mark.parametrize(
    ("mm", "score"),
    [
        (0.0, 0),
        (1.0, 0),
        (1.1, 1),
        (2.0, 1),
        (2.1, 2),
        (4.0, 2),
        (4.1, 3),
        (8.0, 3),
        (8.1, 4),
        (None, None),
        (-1.0, None),
    ],
)
def test_contact_displacement_scores(mm: float | None, score: int | None) -> None:
    assert _one(occlusion.contact_displacement_score("mm"), mm=mm) == score


def test_an_impacted_tooth_scores_five() -> None:
    score = occlusion.contact_displacement_score("mm", impacted="impacted")
    assert _one(score, mm=0.5, impacted=True) == 5
    assert _one(score, mm=0.5, impacted=None) == 0


@pytest.mark.parametrize(
    ("mm", "label"),
    [
        (0.0, "perfect"),
        (0.5, "minimal"),
        (3.0, "minimal"),
        (3.5, "moderate"),
        (6.0, "moderate"),
        (6.1, "severe"),
        (9.0, "severe"),
        (9.5, "very severe"),
        (10.0, "very severe"),
        (None, None),
        (float("nan"), None),
        (-0.1, None),
    ],
)
def test_crowding_classes_of_little(mm: float | None, label: str | None) -> None:
    assert _one(occlusion.irregularity_class("mm"), mm=mm) == label


def test_overjet_grades_of_treatment_need(reference: dict[str, Any]) -> None:
    grade = occlusion.iotn_overjet_grade("mm", lips_competent="lips")
    for mm, competent, expected in reference["iotn_overjet"]["cases"]:
        assert _one(grade, mm=mm, lips=competent) == expected


@pytest.mark.parametrize(
    ("mm", "problem", "grade"),
    [
        (0.0, False, "1"),
        (-0.5, False, "2b"),
        (-1.0, True, "2b"),
        (-1.1, False, "3b"),
        (-3.5, True, "4m"),
        (-3.6, None, "4b"),
        (-3.6, True, "5m"),
        (None, True, None),
        (float("nan"), True, None),
    ],
)
def test_reverse_overjet_grades(mm: float | None, problem: bool | None, grade: str | None) -> None:
    assert _one(occlusion.iotn_overjet_grade("mm", functional_problem="p"), mm=mm, p=problem) == grade


def test_unknown_lips_count_as_not_competent() -> None:
    assert _one(occlusion.iotn_overjet_grade("mm"), mm=5.0) == "3a"
    assert _one(occlusion.iotn_overjet_grade("mm", lips_competent="lips"), mm=5.0, lips=None) == "3a"


@pytest.mark.parametrize(
    ("overjet", "inclination", "label"),
    [
        (3.0, 109.0, "I"),
        (7.0, 115.0, "II/1"),
        (4.0, 95.0, "II/2"),
        (7.0, 95.0, "II/2"),
        (-2.0, 118.0, "III"),
        (0.0, 95.0, "III"),
        (None, 109.0, None),
        (3.0, None, None),
    ],
)
def test_the_incisor_class_that_the_measures_point_to(
    overjet: float | None, inclination: float | None, label: str | None
) -> None:
    assert _one(occlusion.suggested_incisor_class("oj", "u1"), oj=overjet, u1=inclination) == label


@pytest.mark.parametrize(
    ("recorded", "overjet", "inclination", "word"),
    [
        ("I", 3.0, 109.0, None),
        ("I", 8.0, 109.0, "outside 0 to 6"),
        ("I", -1.0, 109.0, "outside 0 to 6"),
        ("II/1", 8.0, 115.0, None),
        ("II/1", 0.5, 115.0, "below 1 mm"),
        ("II/1", 8.0, 95.0, "retroclined"),
        ("II/2", 3.0, 95.0, None),
        ("II/2", 3.0, 118.0, "proclined"),
        ("III", -2.0, 115.0, None),
        ("III", 5.0, 115.0, "above 4 mm"),
        ("I", None, None, None),
        (None, 8.0, 109.0, None),
    ],
)
def test_a_recorded_class_that_hardly_fits_is_doubted(
    recorded: str | None, overjet: float | None, inclination: float | None, word: str | None
) -> None:
    doubt = _one(occlusion.incisor_class_doubt("c", "oj", "u1"), c=recorded, oj=overjet, u1=inclination)
    assert (doubt is None) == (word is None)
    assert word is None or word in str(doubt)
