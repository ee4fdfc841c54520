"""The change expected by a growth reference, and how much children spread about it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.warehouse.growth.curves import by_sql, expected_change
from warehouse.errors import DefinitionError
from warehouse.outcomes.growth_reference import GrowthCurve, constant_slopes
from warehouse.store.quoting import curve_years

LINE = GrowthCurve(
    measure="fma_deg",
    sex="any",
    ages=(8.0, 14.0),
    means=(26.0, 24.2),
    slope_sd=0.3,
    slope_se=0.4,
    source="made for a test",
)


def test_expected_change_and_its_spread() -> None:
    assert expected_change(LINE, 9.0, 12.0) == pytest.approx(-0.9)
    assert LINE.yearly_spread == pytest.approx(0.5)  # sqrt(0.3^2 + 0.4^2) = 0.5 a year


@pytest.mark.parametrize(("start", "end"), [(7.9, 12.0), (9.0, 14.1), (20.0, 22.0)])
def test_outside_its_ages_a_reference_says_nothing(start: float, end: float) -> None:
    assert expected_change(LINE, start, end) is None


def test_without_a_known_spread_there_is_none_and_an_unknown_standard_error_counts_as_none() -> None:
    assert replace(LINE, slope_sd=None).yearly_spread is None
    assert replace(LINE, slope_se=None).yearly_spread == 0.3


def test_only_years_of_growth_spread_children() -> None:
    plane = constant_slopes().curve("fma_deg", "male")
    axis = constant_slopes().curve("facial_axis_deg", "male")
    assert plane is not None
    assert axis is not None
    assert by_sql(curve_years(plane, "a", "b"), a=16.0, b=20.0) == 2.0  # growth is taken to end at 18
    assert by_sql(curve_years(axis, "a", "b"), a=10.0, b=12.0) == 2.0  # flat, but in a growing child
    assert by_sql(curve_years(plane, "a", "b"), a=30.0, b=40.0) == 0.0


def test_growth_adjusted_change_of_a_worked_case() -> None:
    # computed: FMA 26.0 at 9.0 years, 26.5 at 12.0: raw +0.5, adjusted +1.4 at a slope of -0.3
    plane = constant_slopes().curve("fma_deg", "female")
    assert plane is not None
    expected = expected_change(plane, 9.0, 12.0)
    assert expected == pytest.approx(-0.9)
    assert 26.5 - 26.0 - (expected or 0.0) == pytest.approx(1.4)


@pytest.mark.parametrize(
    "fields",
    [{"sds": (4.0,)}, {"lms": ((1.0, 26.0, 0.1),)}, {"ages": (8.0, 8.0)}, {"ages": (8.0,), "means": (1.0,)}],
)
def test_knots_that_make_no_curve_are_refused(fields: dict[str, tuple[float, ...]]) -> None:
    with pytest.raises(DefinitionError):
        replace(LINE, **fields)
