"""Types of face by published bands."""

from __future__ import annotations

from typing import Any

import polars as pl
import pytest

from warehouse.measures.catalogue import CATALOGUE
from warehouse.measures.published_bands import (
    NOSE_TIP_SOURCE,
    facial_index_class,
    nose_tip_guide_mm,
    nose_tip_unfavourable,
)


def _one(expression: pl.Expr, **columns: object) -> object:
    return pl.DataFrame({name: [value] for name, value in columns.items()}, strict=False).select(expression).item()


def test_facial_index_classes_start_where_the_printed_bands_do(reference: dict[str, Any]) -> None:
    for index, label in reference["facial_index"]["general_scale"]:
        assert _one(facial_index_class("index", "sex"), index=index, sex="male") == label


def test_the_index_is_rounded_to_one_decimal_first() -> None:
    assert _one(facial_index_class("index", "sex"), index=78.94, sex="male") == "hypereuryprosopic"
    assert _one(facial_index_class("index", "sex"), index=78.96, sex="male") == "euryprosopic"


def test_the_farkas_means_on_both_scales() -> None:
    # ratios of Farkas means (from memory): 91.0 for men, 85.8 for women
    klass = facial_index_class("index", "sex")
    assert _one(klass, index=100 * 124.7 / 137.1, sex="male") == "leptoprosopic"
    assert _one(klass, index=100 * 111.4 / 129.9, sex="male") == "mesoprosopic"
    assert _one(klass, index=100 * 111.4 / 129.9, sex="female") == "leptoprosopic"


@pytest.mark.parametrize(
    ("index", "label"),
    [
        (76.9, "hypereuryprosopic"),
        (77.0, "euryprosopic"),
        (81.0, "mesoprosopic"),
        (85.0, "leptoprosopic"),
        (90.0, "hyperleptoprosopic"),
    ],
)
def test_the_scale_for_women(index: float, label: str) -> None:
    assert _one(facial_index_class("index", "sex"), index=index, sex="female") == label


@pytest.mark.parametrize("sex", ["unknown", "other", None])
def test_without_a_known_sex_both_scales_must_agree(sex: str | None) -> None:
    klass = facial_index_class("index", "sex")
    assert _one(klass, index=89.0, sex=sex) == "leptoprosopic"
    assert _one(klass, index=85.8, sex=sex) is None
    assert _one(klass, index=None, sex=sex) is None


@pytest.mark.parametrize(
    ("age", "sex", "expected"),
    [
        (5, "male", 28.0),
        (9, "female", 32.0),
        (13, "female", 36.0),
        (40, "female", 36.0),
        (40, "male", 38.0),
        (9, "other", None),
        (None, "male", None),
    ],
)
def test_the_nose_tip_rule_of_thumb(age: int | None, sex: str, expected: float | None) -> None:
    assert _one(nose_tip_guide_mm("age", "sex"), age=age, sex=sex) == expected


def test_the_rule_of_thumb_is_never_a_norm() -> None:
    assert CATALOGUE["nose_tip_to_incisor_mm"].norm is None
    assert "no source" in NOSE_TIP_SOURCE


@pytest.mark.parametrize(
    ("mm", "age", "sex", "expected"),
    [  # women 36 + 6 = 42, girls of 9 32 + 6 = 38; men 38 + 4 = 42, boys of 9 32 + 4 = 36
        (43.0, 30, "female", True),
        (42.0, 30, "female", False),
        (38.5, 9, "female", True),
        (38.0, 9, "female", False),
        (36.5, 9, "male", True),
        (36.0, 9, "male", False),
        (42.5, 40, "male", True),
        (50.0, None, "male", None),
        (50.0, 9, "unknown", None),
    ],
)
def test_the_nose_tip_limit_rises_with_the_guide_of_the_age(
    mm: float, age: int | None, sex: str, expected: bool | None
) -> None:
    assert _one(nose_tip_unfavourable("mm", "age", "sex"), mm=mm, age=age, sex=sex) is expected
