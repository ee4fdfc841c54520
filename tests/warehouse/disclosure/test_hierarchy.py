"""Levels of generalisation: only merging, never splitting."""

from __future__ import annotations

import pytest

from tests.warehouse.disclosure.ordered import ordered
from warehouse.disclosure.hierarchy import ANY, Hierarchy
from warehouse.errors import DefinitionError

AGES = ["under 8", "8-9", "10-11", "12-13", "14-17"]


def test_neighbouring_bands_are_merged_in_blocks() -> None:
    ages = ordered("age", AGES, 2, 4)
    assert ages.levels[1] == {
        "under 8": "under 8 to 8-9",
        "8-9": "under 8 to 8-9",
        "10-11": "10-11 to 12-13",
        "12-13": "10-11 to 12-13",
        "14-17": "14-17",
    }
    assert set(ages.levels[2].values()) == {"under 8 to 12-13", "14-17"}
    assert set(ages.levels[3].values()) == {ANY}


def test_named_merges_keep_what_they_do_not_name() -> None:
    appliance = Hierarchy.of_categories("appliance", list("abcd"), {"cd": ["c", "d"]}, {"abc": ["a", "b"]})
    assert appliance.levels[1] == {"a": "a", "b": "b", "c": "cd", "d": "cd"}
    assert appliance.levels[2] == {"a": "abc", "b": "abc", "c": "cd", "d": "cd"}
    assert len(appliance.levels) == 4


def test_a_variable_with_one_value_has_nothing_to_drop() -> None:
    assert len(Hierarchy.of_categories("one", ["only"]).levels) == 1


def test_penalty_is_the_share_of_the_range_a_value_is_blurred_over() -> None:
    ages = ordered("age", AGES, 2)
    assert ages.penalty(0) == dict.fromkeys(AGES, 0.0)
    assert ages.penalty(1)["8-9"] == pytest.approx(1 / 4)
    assert ages.penalty(1)["14-17"] == 0
    assert ages.penalty(2) == dict.fromkeys(AGES, 1.0)


def test_hierarchies_that_split_or_forget_values_are_refused() -> None:
    with pytest.raises(DefinitionError, match="splits a group"):
        ordered("age", AGES, 2, 3)
    with pytest.raises(DefinitionError, match="does not cover"):
        Hierarchy("sex", ("F", "M"), ({"F": "F"},))
    with pytest.raises(DefinitionError, match="named twice"):
        Hierarchy.of_categories("sex", ["F", "F"])
    with pytest.raises(DefinitionError, match="named twice"):
        Hierarchy.of_categories("sex", [])
