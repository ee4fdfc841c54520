"""Carrying out a plan: the primary comparison, the family, the correction."""

from __future__ import annotations

from pathlib import Path

import pytest
from statsmodels.stats.multitest import multipletests

from tests.warehouse.questions.planning import PLAN, add_plan
from warehouse.errors import RequestError
from warehouse.marts.reader import Reader
from warehouse.plans.question import Question
from warehouse.questions.contrast import PairComparison, compare_all_outcomes, compare_pair
from warehouse.questions.groups import GroupComparison
from warehouse.questions.run_plan import run_plan

GROUPS = """
id = "P2"
question = "Does the share differ by appliance?"
date = 2025-02-03
definition = "D1"
by = "appliance_category"
reference = "fixed_labial"
subgroups = ["sex"]
correction = "benjamini_hochberg"
"""


def test_the_family_holds_outcomes_and_subgroups_and_is_corrected_together(planned: Path) -> None:
    with Reader.open(planned) as reader:
        found = run_plan(reader, "p1")
        main = compare_pair(
            reader,
            Question(by="appliance_category", first="expander_tooth_borne", second="fixed_labial", adjust=("sex",)),
        )
    names = [member.name for member in found.family]
    assert names == ["D1, all cases", "D1, sex female", "D1, sex male", "D2, all cases"]
    assert isinstance(found.main, PairComparison)
    assert found.main.primary == "crude"
    assert found.family[0].difference == main.answer.difference
    raw = [member.p_value for member in found.family]
    assert [row.adjusted for row in found.corrected.rows] == pytest.approx(list(multipletests(raw, method="holm")[1]))
    assert found.standing.kind == "planned"
    assert found.standing.n_now == 4


def test_the_plan_says_the_primary_analysis_of_its_comparison(folder: Path) -> None:
    add_plan(
        folder,
        PLAN.replace('"crude"', '"stratified"').replace('["sex"]\nprimary', '["sex"]\nstrata = ["sex"]\nprimary'),
    )
    with Reader.open(folder) as reader:
        found = compare_pair(
            reader,
            Question(by="appliance_category", first="expander_tooth_borne", second="fixed_labial", adjust=("sex",)),
        )
    assert found.primary == "stratified"
    assert found.stratified_by == ("sex",)


def test_every_group_against_a_reference(folder: Path) -> None:
    add_plan(folder, GROUPS)
    with Reader.open(folder) as reader:
        found = run_plan(reader, "P2")
    assert isinstance(found.main, GroupComparison)
    assert found.main.reference == "fixed_labial"
    assert len(found.family) == 2 * 3
    assert found.corrected.method.startswith("Benjamini-Hochberg")
    assert found.standing.kind == found.main.standing.kind == "planned"


def test_a_plan_that_is_not_there_is_refused(reader: Reader) -> None:
    with pytest.raises(RequestError, match="there is no audit plan 'P9'"):
        run_plan(reader, "P9")


def test_every_outcome_is_compared_and_other_families_are_secondary(reader: Reader) -> None:
    found = compare_all_outcomes(
        reader, Question(by="appliance_category", first="expander_tooth_borne", second="fixed_labial", adjust=("sex",))
    )
    assert len(found.rows) == len(list(reader.registry))
    families = [row.definition.family for row in found.rows]
    assert [family != "vertical" for family in families] == list(found.secondary)
    assert families.index("vertical") == 0
    tested = [row for row in found.rows if row.answer.p_value is not None]
    assert found.corrected.n_comparisons == len(tested)
    joints = next(row for row in found.rows if row.definition.id == "A1")
    assert joints.n > 0
