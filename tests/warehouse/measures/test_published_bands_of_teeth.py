"""PAR, crowding and treatment need by overjet, against their published rules."""

from __future__ import annotations

import math
from typing import Any

import polars as pl
import pytest

from warehouse.measures import published_bands
from warehouse.measures.catalogue import PAR_WEIGHTS

COMPONENTS = PAR_WEIGHTS["uk"].codes


def _one(expression: pl.Expr, **columns: object) -> object:
    frame = pl.DataFrame({name: [value] for name, value in columns.items()}, strict=False)
    return frame.select(expression).item()


def _weighted(weights: str, scores: tuple[int, ...]) -> float:
    by_code = dict(zip(COMPONENTS, scores, strict=True))
    return sum(weight * by_code[code] for code, weight in PAR_WEIGHTS[weights].terms)


def test_the_worked_example_scores_40_then_3(reference: dict[str, Any]) -> None:
    example = reference["par_worked_example"]
    assert _weighted("uk", example["start"]) == example["start_total"]
    assert _weighted("uk", example["finish"]) == example["finish_total"]


def test_the_us_weights_leave_the_lower_front_out() -> None:
    # 1 x upper front + 2 x buccal + 5 x overjet + 3 x overbite + 3 x centreline (DeGuzman 1995, from memory)
    assert _weighted("us", (6, 5, 3, 3, 2, 1)) == 6 + 6 + 15 + 6 + 3


def test_improvement_categories_follow_the_published_limits(reference: dict[str, Any]) -> None:
    for start, finish, label in reference["par_improvement"]["pairs"]:
        assert _one(published_bands.par_improvement("a", "b"), a=start, b=finish) == label


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
    assert _one(published_bands.par_improvement("a", "b"), a=start, b=finish) == label


def test_percent_reduction_needs_something_to_reduce() -> None:
    assert _one(published_bands.par_percent_reduction("a", "b"), a=40.0, b=3.0) == pytest.approx(92.5)
    assert _one(published_bands.par_percent_reduction("a", "b"), a=0.0, b=3.0) is None


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
    assert _one(published_bands.irregularity_class("mm"), mm=mm) == label


def test_overjet_grades_of_treatment_need(reference: dict[str, Any]) -> None:
    grade = published_bands.iotn_overjet_grade("mm", lips_competent="lips")
    for mm, competent, expected in reference["iotn_overjet"]["cases"]:
        assert _one(grade, mm=mm, lips=competent) == expected


@pytest.mark.parametrize(
    ("mm", "grade"),
    [(0.0, "1"), (-0.5, "2b"), (-1.0, "2b"), (-1.1, "3b"), (-3.5, "3b"), (-3.6, "4b"), (None, None), (math.nan, None)],
)
def test_reverse_overjet_grades(mm: float | None, grade: str | None) -> None:
    assert _one(published_bands.iotn_overjet_grade("mm"), mm=mm) == grade


def test_unknown_lips_count_as_not_competent() -> None:
    assert _one(published_bands.iotn_overjet_grade("mm"), mm=5.0) == "3a"
    assert _one(published_bands.iotn_overjet_grade("mm", lips_competent="lips"), mm=5.0, lips=None) == "3a"
