"""Agreements: what they fix, and what is no agreement."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from tests.study_group import FULL, agreement, group_result
from warehouse.disclosure.hierarchy import ANY
from warehouse.errors import GroupError, RequestError
from warehouse.outcomes.registry import shipped_registry
from warehouse.pooled.agreement import agreement_from, growth_digest
from warehouse.pooled.kept_results import Kept, keep_result, kept_results
from warehouse.pooled.result import result_from
from warehouse.pooled.variables import KNOWN_VARIABLES, hierarchy_of, year_group


def plain() -> dict[str, Any]:
    return json.loads(json.dumps(FULL.to_dict()))


def test_an_agreement_is_read_back_as_it_was_made() -> None:
    assert agreement_from(plain()) == FULL
    assert agreement_from(plain()).digest == FULL.digest


def test_everything_agreed_changes_the_fingerprint() -> None:
    others = [
        replace(FULL, k=6),
        replace(FULL, minimum=6),
        replace(FULL, groupings=()),
        replace(FULL, growth_digest="0" * 64),
        replace(FULL, definitions=(replace(FULL.definitions[0], minimum_months=7.0),)),
        replace(FULL, variables=FULL.variables[:-1]),
        replace(FULL, level="counts"),
    ]
    assert len({one.fingerprint for one in [FULL, *others]}) == 1 + len(others)


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("format", "menton agreement, version 3"),
        ("k", 1),
        ("k", 5.0),
        ("k", True),
        ("l", 9),
        ("minimum", 2),
        ("fewest_practices", 2),
        ("most_cases", 10**9),
        ("round_to", 1),
        ("round_to", "5"),
        ("level", "everything"),
        ("group", "../../group"),
        ("name", "two\nlines"),
        ("name", "x" * 61),
        ("coordinators", []),
        ("coordinators", [["Lamp", "age1", "0" * 64]]),
        ("coordinators", [["Lamp", "age1" + "q" * 58, "00"]]),
        ("coordinators", [["Lamp", "age1" + "q" * 58, "0" * 64], ["Lamp", "age1" + "p" * 58, "1" * 64]]),
        ("coordinators", [["Lamp", "age1" + "q" * 58, "0" * 64], ["Wick", "age1" + "q" * 58, "1" * 64]]),
        ("spread", 1),
        ("made_on", "2026-02-30"),
        ("definitions", []),
        ("definitions", [{"id": "D1"}]),
        ("outcomes", []),
        ("outcomes", ["D1", "D1"]),
        ("outcomes", ["D9"]),
        ("groupings", ["clinician"]),
        ("groupings", "sex"),
        ("variables", [{"name": "case_key", "base": ["a"], "levels": [["a"]]}]),
        ("variables", [{"name": "sex", "base": ["f", "m"], "levels": [["f", "f"]]}]),
        ("variables", [{"name": "sex", "base": ["f", "m"], "levels": [["f", "m"], ["x"]]}]),
        ("variables", [{"name": "sex", "base": ["f", "m"], "levels": [["f", "m"], ["x", "x"], ["f", "m"]]}]),
        ("variables", [{"name": "sex", "base": ["f", "m"], "levels": [["f", "m"], [1, 1]]}]),
    ],
)
def test_what_is_out_of_range_is_no_agreement(name: str, value: object) -> None:
    with pytest.raises(GroupError, match="not an agreement"):
        agreement_from({**plain(), name: value})


@pytest.mark.parametrize(("version", "who"), [(3, "this program"), (1, "the program that made the file")])
def test_a_refusal_says_both_versions_and_who_has_to_do_what(version: int, who: str) -> None:
    with pytest.raises(GroupError, match=f"of version {version}; version 2 is read") as told:
        agreement_from({**plain(), "format": f"menton agreement, version {version}"})
    assert told.value.remedy.startswith(f"bring {who} up to date")
    with pytest.raises(GroupError, match="not a group result that can be read here: it is of version 7; version 2"):
        result_from({"format": "menton group result, version 7"})


def test_an_older_result_never_takes_the_place_of_a_newer_one(tmp_path: Path) -> None:
    first = group_result(12, 3, 9, 20, 15, 11)
    second = replace(first, number=first.number + 1)
    for one in (first, second, second):
        keep_result(tmp_path, Kept(one, {}))
    with pytest.raises(GroupError, match=f"result {first.number} of the group; result {second.number} is kept"):
        keep_result(tmp_path, Kept(first, {}))
    assert [one.result.number for one in kept_results(tmp_path)] == [second.number]


def test_an_agreement_with_a_part_too_many_or_too_few_is_refused() -> None:
    for changed in ({**plain(), "extra": 1}, {key: value for key, value in plain().items() if key != "l"}, [], None):
        with pytest.raises(GroupError):
            agreement_from(changed)


def test_what_was_not_agreed_cannot_be_asked_for() -> None:
    with pytest.raises(GroupError, match="did not agree on the outcome"):
        FULL.definition("J1")
    with pytest.raises(GroupError, match="did not agree on"):
        FULL.hierarchy("incisor_class")


@pytest.mark.parametrize("name", KNOWN_VARIABLES)
def test_every_variable_can_be_merged_step_by_step_and_dropped(name: str) -> None:
    found = hierarchy_of(name, years=(2011, 2024))
    sizes = [len(set(level.values())) for level in found.levels]
    assert sizes == sorted(sizes, reverse=True)
    assert set(found.levels[-1].values()) == {ANY}
    assert "missing" in found.base


@pytest.mark.parametrize("years", [(2011, 2012), (2011, 2013), (2011, 2018), (2011, 2020), (2000, 2030)])
def test_years_are_merged_in_blocks_whatever_their_number(years: tuple[int, int]) -> None:
    found = hierarchy_of("start_year", years=years)
    assert found.levels[1][str(years[1])].endswith("or later, or not recorded")
    assert {year_group(year, found.base) for year in (1999, years[0], years[1], 2099, None)} <= set(found.base)
    assert year_group(1999, found.base) == f"before {years[0]}"
    assert year_group(2099, found.base) == f"after {years[1]}"
    assert year_group(None, found.base) == "missing"


def test_variables_and_years_that_do_not_exist_are_refused() -> None:
    with pytest.raises(RequestError, match="cannot agree on the variable"):
        hierarchy_of("clinician", years=(2011, 2024))
    with pytest.raises(RequestError, match="years of start"):
        hierarchy_of("start_year", years=(2024, 2011))


def test_the_digest_of_a_growth_reference_does_not_hang_on_the_order_of_its_curves() -> None:
    rows = [("a", "any", (0.0, 1.0), (0.0, 2.0), None, None), ("b", "any", (0.0, 1.0), (0.0, 3.0), 0.1, None)]
    assert growth_digest("R1", rows) == growth_digest("R1", reversed(rows))
    assert growth_digest("R1", rows) != growth_digest("R2", rows)
    assert growth_digest("R1", rows) != growth_digest("R1", rows[:1])


def test_a_small_agreement_hides_nothing_of_its_rule() -> None:
    agreed = agreement(minimum=8, round_to=5)
    assert agreed.contribution_policy.minimum == agreed.pooled_policy.minimum == 8
    assert agreed.contribution_policy.round_to is None
    assert agreed.pooled_policy.round_to == 5


@pytest.mark.parametrize(("first", "second", "refused"), [("D6", "W1", True), ("J1", "J3", True), ("D1", "J1", False)])
def test_outcomes_of_which_one_implies_the_other_are_not_agreed_on_together(
    first: str, second: str, refused: bool
) -> None:
    registry = shipped_registry()
    names = {first, second, "J1", "J2"}
    agreed = agreement(definitions=tuple(registry.get(one) for one in sorted(names)), outcomes=(first, second))
    if refused:
        with pytest.raises(GroupError, match="rest on the same change"):
            agreement_from(agreed.to_dict())
    else:
        assert agreement_from(agreed.to_dict()).outcomes == (first, second)
