"""The one list of case variables: what its lists name is there, and its codes are those of the contract."""

from __future__ import annotations

import pytest

from pipelines.contract.contract import load_contract
from warehouse.selection import VARIABLES, listed

USES = ("groupings", "filters", "adjustable", "protected", "pooled")


def test_a_name_stands_once_in_a_list_and_titles_tell_groupings_apart() -> None:
    for use in USES:
        names = [one.name for one in listed(use)]
        assert len(names) == len(set(names))
    titles = [one.title for one in listed("groupings")]
    assert all(titles)
    assert len(titles) == len(set(titles))


def test_what_may_leave_or_be_pooled_puts_every_case_into_one_group() -> None:
    for one in (*listed("protected"), *listed("pooled"), *listed("filters")):
        assert one.column is not None
        assert one in listed("groupings")


@pytest.mark.parametrize("name", [one.name for one in VARIABLES.values() if one.values and one.codes])
def test_codes_are_those_of_the_contract(name: str) -> None:
    assert set(VARIABLES[name].values) == {one.code for one in load_contract().codes[VARIABLES[name].codes]}


@pytest.mark.parametrize("name", [one.name for one in listed("pooled")])
def test_a_coarser_level_merges_values_it_knows_and_each_once(name: str) -> None:
    known = {*VARIABLES[name].values, "missing"}
    assert VARIABLES[name].coarser
    for level in VARIABLES[name].coarser:
        merged = [value for held in level.values() for value in held]
        assert len(merged) == len(set(merged))
        assert set(merged) <= known
