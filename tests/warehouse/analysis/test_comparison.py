"""Two groups compared in every customary way at once."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from warehouse.analysis.comparison import compare_two_groups
from warehouse.analysis.difference import risk_difference
from warehouse.analysis.proportion import proportion
from warehouse.analysis.ratio import risk_ratio

counts = st.integers(0, 200).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


def test_parts_are_those_of_their_own_functions() -> None:
    found = compare_two_groups(12, 40, 5, 44, level=0.9)
    assert found.first == proportion(12, 40, level=0.9)
    assert found.second == proportion(5, 44, level=0.9)
    assert found.difference == risk_difference(12, 40, 5, 44, level=0.9)
    assert found.ratio == risk_ratio(12, 40, 5, 44, level=0.9)
    assert found.odds.interval.level == 0.9
    assert found.needed.difference == found.difference
    assert found.test.method.startswith("Boschloo")


def test_large_groups_get_the_large_sample_test() -> None:
    assert compare_two_groups(300, 900, 250, 900).test.method.startswith("Pearson")


def test_without_a_test_all_else_is_the_same() -> None:
    tested, untested = (compare_two_groups(12, 40, 5, 44, tested=tested) for tested in (True, False))
    assert tested.test.p_value is not None
    assert untested == replace(tested, test=replace(tested.test, p_value=None, statistic=None))


@given(counts, counts)
@settings(max_examples=12, deadline=None)
def test_no_pair_of_groups_raises(first: Any, second: Any) -> None:
    found = compare_two_groups(*first, *second)
    assert (found.difference.value is None) == (first[1] == 0 or second[1] == 0)
