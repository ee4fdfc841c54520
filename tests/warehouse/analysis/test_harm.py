"""Number needed to harm: Altman's two disjoint parts, direction, and words."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from warehouse.analysis.difference import risk_difference
from warehouse.analysis.harm import number_needed_to_harm
from warehouse.words.contrasts import harm_sentence

counts = st.integers(0, 200).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
filled = counts.filter(lambda c: c[1] > 0)


def test_harm_with_an_interval_of_one_part() -> None:
    # 30/100 v 10/100: difference 0.2, so 1 in 5; limits are the reciprocals, upside down
    found = number_needed_to_harm(30, 100, 10, 100)
    limits = risk_difference(30, 100, 10, 100).interval
    assert found.value == pytest.approx(5.0)
    assert found.direction == "harm"
    assert found.benefit is None
    assert (found.harm.low, found.harm.high) == pytest.approx((1 / limits.high, 1 / limits.low))
    assert harm_sentence(found) == (
        f"One more adverse case for every 5 cases of the first group "
        f"(95% interval: harm {1 / limits.high:.3g} to {1 / limits.low:.3g})."
    )


def test_benefit_is_the_mirror_of_harm() -> None:
    harm, benefit = number_needed_to_harm(30, 100, 10, 100), number_needed_to_harm(10, 100, 30, 100)
    assert benefit.direction == "benefit"
    assert benefit.harm is None
    assert (benefit.value, benefit.benefit.low) == pytest.approx((harm.value, harm.harm.low))
    assert harm_sentence(benefit).startswith("One fewer adverse case for every 5 cases")


def test_interval_across_zero_is_two_parts_that_meet_at_infinity() -> None:
    # Altman 1998, BMJ 317:1309: an ARR whose interval crosses zero gives NNTB x to infinity to NNTH y
    found = number_needed_to_harm(12, 50, 10, 50)
    limits = risk_difference(12, 50, 10, 50).interval
    assert limits.low < 0.0 < limits.high
    assert (found.harm.low, found.harm.high) == (pytest.approx(1 / limits.high), math.inf)
    assert (found.benefit.low, found.benefit.high) == (pytest.approx(-1 / limits.low), math.inf)
    assert found.value == pytest.approx(25.0)
    assert "may not differ at all" in harm_sentence(found)


def test_each_part_starts_at_the_reciprocal_of_its_end() -> None:
    # Altman 1998, BMJ 317:1309: the two ends of the difference become the two finite ends of the number needed
    found = number_needed_to_harm(25, 100, 20, 100)
    low, high = found.difference.interval.low, found.difference.interval.high
    assert found.value == pytest.approx(20.0)
    assert found.harm.low == pytest.approx(1 / high)
    assert found.benefit.low == pytest.approx(1 / -low)


def test_equal_shares_have_no_number() -> None:
    found = number_needed_to_harm(5, 20, 10, 40)
    assert (found.value, found.direction) == (None, "none")
    assert found.harm is not None
    assert found.benefit is not None
    assert harm_sentence(found).startswith("The shares are equal")


def test_empty_group_is_said_in_words() -> None:
    found = number_needed_to_harm(0, 0, 3, 9)
    assert (found.value, found.harm, found.benefit) == (None, None, None)
    assert harm_sentence(found).startswith("The first group has no assessed case")
    assert found.warnings == found.difference.warnings


@given(counts, counts)
@settings(deadline=None)
def test_value_lies_in_its_part_and_parts_match_signs(first: Any, second: Any) -> None:
    found = number_needed_to_harm(*first, *second)
    if found.value is not None:
        part = found.harm if found.direction == "harm" else found.benefit
        assert part.low * (1 - 1e-9) <= found.value <= part.high * (1 + 1e-9)
        assert found.value >= 1.0 - 1e-12


@given(filled, filled)
@settings(deadline=None)
def test_two_parts_exactly_when_the_difference_crosses_zero(first: Any, second: Any) -> None:
    found = number_needed_to_harm(*first, *second)
    limits = found.difference.interval
    crosses = limits.low < 0.0 < limits.high
    assert (found.harm is not None and found.benefit is not None) == crosses
