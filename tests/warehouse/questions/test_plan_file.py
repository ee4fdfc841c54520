"""A plan file is read strictly, and comes back from the warehouse as it went in."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.warehouse.questions.planning import PLAN
from warehouse.errors import DefinitionError
from warehouse.outcomes.registry import shipped_registry
from warehouse.plans.plan import plan_body, plan_from_body
from warehouse.questions.plan_file import EXAMPLE, load_plan, parse_plan


def parsed(text: str) -> object:
    return parse_plan(text, where="plan.toml", definitions=shipped_registry())


def test_the_example_is_a_plan() -> None:
    plan = parse_plan(EXAMPLE, where="example", definitions=shipped_registry())
    assert plan.outcomes == ("D1 v2.0.0", "D2 v1.0.0", "D3 v1.0.0")
    assert plan.is_pair
    assert plan.primary == "overlap"


def test_a_plan_survives_its_way_through_the_store() -> None:
    text = EXAMPLE.replace("# [only]", "[only]").replace('# sex = ["female"]', 'sex = ["female"]')
    plan = parse_plan(text, where="example", definitions=shipped_registry())
    again = plan_from_body(json.loads(json.dumps(plan_body(plan))))
    assert again == plan
    assert again.sha256 == plan.sha256
    assert plan.cases.filters == {"sex": ("female",)}


def test_any_change_of_what_it_says_changes_the_digest() -> None:
    one = parse_plan(EXAMPLE, where="", definitions=shipped_registry())
    other = parse_plan(EXAMPLE.replace('"sex", ', ""), where="", definitions=shipped_registry())
    assert one.sha256 != other.sha256


def test_a_plan_for_all_groups_needs_no_pair() -> None:
    text = 'id = "P2"\nquestion = "q?"\ndate = 2025-02-03\ndefinition = "D1"\nby = "age_band"\nreference = "10-11"\n'
    plan = parse_plan(text, where="", definitions=shipped_registry())
    assert not plan.is_pair
    assert (plan.reference, plan.primary, plan.adjust) == ("10-11", "crude", ())


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('adjust = ["age_at_start"', 'adjst = ["age_at_start"', "did you mean adjust"),
        ('definition = "D1"', 'definition = "D11"', "did you mean D1"),
        ('"D2", "D3"', '"D1"', "named twice"),
        ('by = "appliance_category"', 'by = "appliance"', "did you mean appliance"),
        ("expander_tooth_borne", "expander_tooth_bone", "did you mean expander_tooth_borne"),
        ('second = "fixed_labial"', "", "one of first and second is missing"),
        ('second = "fixed_labial"', 'second = "expander_tooth_borne"', "compared with itself"),
        ('"sex", "plane', '"sx", "plane', "did you mean sex"),
        ('"vertical_type", "age_band"', '"vertical", "age_band"', "did you mean vertical_type"),
        ('primary = "overlap"', 'primary = "overlapp"', "did you mean overlap"),
        ('correction = "holm"', 'correction = "bonferroni"', "one of holm, benjamini_hochberg"),
        ("level = 0.95", "level = 95", "between 0 and 1"),
        ("date = 2025-02-03", 'date = "3 February"', "without quotes"),
        ('id = "P1"', 'id = "plan one"', "capital letters"),
        ('question = "', 'question = ""\nignored = "', "there is no key"),
        ('subgroups = ["age_band"]', 'subgroups = ["age_bands"]', "did you mean age_band"),
        ('comparison = "treated"', 'comparison = "all"', "treated, untreated"),
        ("# [only]", '[only]\nsexx = ["female"]\n#', "did you mean sex"),
        ("# [only]", '[only]\nsex = "female"\n#', "a list of values"),
        ('by = "appliance_category"', 'by = "appliance_category', "not TOML"),
        ('strata = ["vertical_type", "age_band"]', 'reference = "fixed_labial"', "reference is given beside"),
    ],
)
def test_what_is_wrong_is_refused_in_words(old: str, new: str, said: str) -> None:
    assert old in EXAMPLE
    with pytest.raises(DefinitionError, match=said) as caught:
        parsed(EXAMPLE.replace(old, new, 1))
    assert "plan.toml" in str(caught.value)


def test_adjustment_without_two_groups_is_refused() -> None:
    text = 'id = "P2"\nquestion = "q?"\ndate = 2025-02-03\ndefinition = "D1"\nby = "sex"\nadjust = ["age_at_start"]\n'
    with pytest.raises(DefinitionError, match="without first and second"):
        parsed(text)


def test_a_file_that_is_not_there_is_refused_by_name(tmp_path: Path) -> None:
    with pytest.raises(DefinitionError, match="cannot be read"):
        load_plan(tmp_path / "none.toml", definitions=shipped_registry())


def test_a_plan_can_say_when_the_groups_are_known() -> None:
    text = PLAN.replace('by = "appliance_category"', 'by = "appliance_group"')
    plan, plain = (
        parse_plan(one, where="plan", definitions=shipped_registry()) for one in (text + "landmark = 12\n", text)
    )
    asked = plan.asks("D1 v2.0.0", plan.cases)
    assert plan.landmark == asked.landmark == 12.0
    assert plan.covers(asked)
    assert not plain.covers(asked)
    assert "landmark" not in plan_body(plain)
    assert plan_from_body(json.loads(json.dumps(plan_body(plan)))) == plan
    for wrong in (text + "landmark = 0\n", text + 'landmark = "12"\n', PLAN + "landmark = 12\n"):
        with pytest.raises(DefinitionError, match="landmark is"):
            parsed(wrong)
