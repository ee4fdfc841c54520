from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from synthetic_data.growth import active_years, expected_growth, length, mean_plane

AGES = st.floats(6.0, 60.0)


def at(*ages: float) -> np.ndarray:
    return np.array(ages)


def test_the_plane_closes_about_one_degree_in_three_years() -> None:
    # -0.3 degrees a year from 9 years on (Ricketts, from memory); both sexes together, 9 to 15 years.
    change = expected_growth(at(9, 9), at(15, 15), np.array([True, False]))
    assert change.mean() / 6 == pytest.approx(-0.3, abs=0.03)


def test_boys_turn_more_than_girls_because_they_grow_longer() -> None:
    boy, girl = expected_growth(at(9, 9), at(18, 18), np.array([True, False]))
    assert boy < girl < 0


@pytest.mark.parametrize("male", [True, False])
def test_nothing_changes_after_18(male: bool) -> None:
    adult = np.array([male])
    assert expected_growth(at(18), at(45), adult)[0] == pytest.approx(0.0, abs=1e-12)
    assert active_years(at(18), at(45))[0] == pytest.approx(0.0, abs=1e-12)
    assert length("corpus", at(18), adult) == length("corpus", at(45), adult)


@given(AGES, AGES, AGES, st.booleans())
def test_growth_over_two_spans_adds_up(first: float, second: float, third: float, male: bool) -> None:
    who = np.array([male])
    whole = expected_growth(at(first), at(third), who)
    parts = expected_growth(at(first), at(second), who) + expected_growth(at(second), at(third), who)
    assert whole[0] == pytest.approx(parts[0], abs=1e-9)


def test_the_mean_plane_is_35_degrees_at_9_years() -> None:
    # Handbook means for 9 years: 34.9 (boys) and 35.0 (girls), from memory.
    assert mean_plane(at(9.0, 9.0), np.array([True, False])) == pytest.approx([35.0, 35.0])


def test_a_year_before_14_counts_in_full() -> None:
    assert active_years(at(9.0), at(10.0))[0] == pytest.approx(1.0)
    assert active_years(at(16.0), at(17.0))[0] == pytest.approx(0.375, abs=0.01)
