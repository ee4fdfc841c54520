"""Expected change with its interval, and z-scores."""

from __future__ import annotations

from dataclasses import replace
from math import sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from warehouse.errors import DefinitionError
from warehouse.outcomes.growth_prediction import (
    growth_years,
    lms_value,
    lms_z_score,
    predicted_change,
    yearly_spread,
    z_score,
)
from warehouse.outcomes.growth_reference import GrowthCurve, constant_slopes

LINE = GrowthCurve(
    measure="fma_deg",
    sex="any",
    ages=(8.0, 14.0),
    means=(26.0, 24.2),
    slope_sd=0.3,
    slope_se=0.4,
    source="made for a test",
)


def test_expected_change_and_its_interval() -> None:
    found = predicted_change(LINE, 9.0, 12.0)
    assert found.mean == pytest.approx(-0.9)
    assert found.sd == pytest.approx(3.0 * 0.5)  # sqrt(0.3^2 + 0.4^2) = 0.5 a year
    assert found.interval is not None
    assert (found.interval.low, found.interval.high) == pytest.approx((-0.9 - 1.96 * 1.5, -0.9 + 1.96 * 1.5), abs=1e-4)
    assert "measuring error comes on top" in found.said


@pytest.mark.parametrize(("start", "end"), [(7.9, 12.0), (9.0, 14.1), (20.0, 22.0)])
def test_outside_its_ages_a_reference_says_nothing(start: float, end: float) -> None:
    found = predicted_change(LINE, start, end)
    assert (found.mean, found.sd, found.interval) == (None, None, None)
    assert found.said == "The reference covers ages 8 to 14 only."


def test_without_a_known_spread_there_is_a_mean_and_no_interval() -> None:
    found = predicted_change(replace(LINE, slope_sd=None), 9.0, 12.0)
    assert found.mean == pytest.approx(-0.9)
    assert (found.sd, found.interval) == (None, None)
    assert "no interval" in found.said


def test_an_unknown_standard_error_counts_as_none_and_is_told() -> None:
    assert yearly_spread(replace(LINE, slope_se=None)) == 0.3
    assert "not for doubt about their mean" in predicted_change(replace(LINE, slope_se=None), 9.0, 12.0).said


def test_only_years_of_growth_spread_children() -> None:
    plane = constant_slopes().curve("fma_deg", "male")
    axis = constant_slopes().curve("facial_axis_deg", "male")
    assert plane is not None
    assert axis is not None
    assert growth_years(plane, 16.0, 20.0) == 2.0  # growth is taken to end at 18
    assert growth_years(axis, 10.0, 12.0) == 2.0  # flat, but in a growing child
    assert growth_years(plane, 30.0, 40.0) == 0.0
    assert predicted_change(plane, 30.0, 40.0).interval is not None


def test_growth_adjusted_change_of_a_worked_case() -> None:
    # computed: FMA 26.0 at 9.0 years, 26.5 at 12.0: raw +0.5, adjusted +1.4 at a slope of -0.3
    plane = constant_slopes().curve("fma_deg", "female")
    assert plane is not None
    expected = plane.expected_change(9.0, 12.0)
    assert expected == pytest.approx(-0.9)
    assert 26.5 - 26.0 - (expected or 0.0) == pytest.approx(1.4)


# The worked example on the page of the 2000 growth charts of the United States that explains L, M and S (data files,
# cdc.gov/growthcharts; read as quoted in several public documents): weight of a boy of 9 months, in kg.
BOY = {"skew": -0.1600954, "median": 9.476500305, "variation": 0.11218624}


def test_the_published_lms_example() -> None:
    assert round(lms_value(-1.645, **BOY) or 0.0, 2) == 7.90
    assert round(lms_z_score(9.7, **BOY), 3) == 0.207
    assert round(100 * float(norm.cdf(lms_z_score(9.7, **BOY)))) == 58
    # percentiles printed in the same table for 9.5 months: 3rd 7.700624405, 90th 10.96017225
    for share, printed in ((0.03, 7.700624405), (0.90, 10.96017225)):
        assert lms_value(float(norm.ppf(share)), **BOY) == pytest.approx(printed, abs=1e-8)


@given(
    z=st.floats(-3.0, 3.0),
    skew=st.one_of(st.just(0.0), st.floats(-1.5, 1.5).filter(lambda skew: abs(skew) > 1e-3)),
    variation=st.floats(0.01, 0.2),
)
def test_value_and_z_score_are_inverse(z: float, skew: float, variation: float) -> None:
    value = lms_value(z, skew, 50.0, variation)
    assert value is not None
    assert lms_z_score(value, skew, 50.0, variation) == pytest.approx(z, abs=1e-6)


def test_no_value_lies_beyond_the_end_of_a_skewed_distribution() -> None:
    assert lms_value(-6.0, 1.0, 50.0, 0.2) is None


def test_z_scores_between_the_ages_of_a_table() -> None:
    table = replace(LINE, sds=(4.0, 6.0))
    assert z_score(table, 11.0, 30.1) == pytest.approx((30.1 - 25.1) / 5.0)
    assert z_score(table, 15.0, 30.0) is None
    assert z_score(LINE, 11.0, 30.0) is None


def test_z_scores_by_lms_between_ages() -> None:
    lms = ((-0.1, 9.0, 0.10), (-0.3, 11.0, 0.14))
    curve = replace(LINE, ages=(1.0, 2.0), means=(9.0, 11.0), lms=lms)
    expected = lms_z_score(12.0, -0.2, 10.0, 0.12)
    assert z_score(curve, 1.5, 12.0) == pytest.approx(expected)
    assert z_score(curve, 1.5, 0.0) is None


def test_the_middle_of_the_children_has_z_zero_and_one_sd_is_one() -> None:
    curve = replace(LINE, sds=(4.0, 4.0), means=(26.0, 26.0))
    assert z_score(curve, 10.0, 26.0) == 0.0
    assert z_score(curve, 10.0, 30.0) == 1.0
    assert sqrt(16.0) == curve.sds[0]


@pytest.mark.parametrize(
    "fields",
    [{"sds": (4.0,)}, {"lms": ((1.0, 26.0, 0.1),)}, {"ages": (8.0, 8.0)}, {"ages": (8.0,), "means": (1.0,)}],
)
def test_knots_that_make_no_curve_are_refused(fields: dict[str, tuple[float, ...]]) -> None:
    with pytest.raises(DefinitionError):
        replace(LINE, **fields)
