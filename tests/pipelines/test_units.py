"""Conversions of units, against numpy and the definitions of the units."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from pipelines.contract.units import all_units, factor, unit_named, units_for


def test_radians_as_numpy_converts_them() -> None:
    assert factor("radians", "degrees") == pytest.approx(np.rad2deg(1.0), rel=1e-15)


def test_the_international_inch() -> None:
    # 1 inch = 25.4 mm exactly, international yard and pound agreement of 1959
    assert factor("inch", "mm") == 25.4


@pytest.mark.parametrize(
    ("unit", "wanted", "by"),
    [
        ("cm", "mm", 10.0),
        ("Meter", "mm", 1000.0),
        ("fraction", "percent", 100.0),
        ("%", "percent", 1.0),
        ("°", "degrees", 1.0),
        ("Jahre", "months", 12.0),
        ("months", "years", 1 / 12),
        ("days", "months", 12 / 365.25),
        ("days", "years", 1 / 365.25),
        ("weeks", "years", 7 / 365.25),
        ("mm", "degrees", None),
        ("degrees", "radians", None),
        ("furlong", "mm", None),
    ],
)
def test_factors(unit: str, wanted: Any, by: Any) -> None:
    assert factor(unit, wanted) == (None if by is None else pytest.approx(by, rel=1e-15))


def test_units_are_named_by_any_spelling() -> None:
    assert unit_named(" Grad ") == "degrees"
    assert unit_named("yrs.") == "years"
    assert unit_named("cubit") is None
    assert all(unit_named(unit) == unit for unit in all_units())


def test_units_that_fit() -> None:
    assert units_for("mm") == ("mm", "cm", "m", "inches")
    assert units_for("points") == ("points",)
