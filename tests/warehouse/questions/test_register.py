"""Plans and looks as a whole: what was planned, what was certainly explored after."""

from __future__ import annotations

from pathlib import Path

from tests.warehouse.questions.planning import PLAN, add_plan
from warehouse.marts.reader import Reader
from warehouse.plans.looks import FILE
from warehouse.plans.planned_or_explored import PlansAndLooks, plans_and_looks, record_mark
from warehouse.plans.question import Question
from warehouse.questions.contrast import compare_pair
from warehouse.questions.groups import compare_groups

OF_ALL_GROUPS = """
id = "P2"
question = "Do shares differ between appliances?"
date = 2025-02-03
definition = "D1"
by = "appliance_category"
"""


def found(folder: Path) -> PlansAndLooks:
    with Reader.open(folder) as reader:
        return plans_and_looks(reader)


def look(folder: Path, *, by: str = "appliance_category") -> None:
    with Reader.open(folder) as reader:
        if by == "appliance_category":
            compare_pair(reader, Question(by=by, first="expander_tooth_borne", second="fixed_labial", adjust=["sex"]))
        else:
            compare_groups(reader, Question(by=by))


def test_nothing_planned_and_nothing_looked_at(folder: Path) -> None:
    none = found(folder)
    assert (none.plans, none.n_looks, none.n_comparisons, none.first_look) == ((), 0, 0, "")
    assert none.is_whole


def test_looking_at_the_record_adds_no_look(planned: Path) -> None:
    look(planned)
    assert found(planned).n_looks == found(planned).n_looks == 1


def test_a_plan_that_came_first_is_planned_and_looked_at_since(planned: Path) -> None:
    (one,) = found(planned).plans
    assert one.sentence == "Planned: its groups had not been looked at when it was registered. Not looked at since."
    look(planned)
    (one,) = found(planned).plans
    assert (one.seen_before, one.seen_since) == (False, True)
    assert found(planned).n_unplanned == 0


def test_a_plan_that_came_after_looking_says_so(folder: Path) -> None:
    look(folder)
    add_plan(folder)
    add_plan(folder, OF_ALL_GROUPS)
    one, all_groups = found(folder).plans
    assert (one.seen_before, one.seen_since) == (True, False)
    assert (all_groups.seen_before, all_groups.seen_since) == (True, False)
    assert "read it as not planned in advance" in one.sentence


def test_another_question_was_not_the_planned_one(folder: Path) -> None:
    look(folder, by="sex")
    add_plan(folder, PLAN.replace('"sex"', '"age_at_start"', 1))
    assert not found(folder).plans[0].seen_before


def test_comparisons_that_no_plan_names_are_counted(planned: Path) -> None:
    look(planned)
    look(planned, by="sex")
    record = found(planned)
    assert (record.n_comparisons, record.n_unplanned, record.n_looks) == (2, 1, 2)
    assert record.first_look <= record.last_look


def test_the_mark_changes_with_the_record(planned: Path) -> None:
    before = record_mark(planned)
    look(planned)
    after = record_mark(planned)
    assert before == "none"
    assert after != before
    (planned / FILE).unlink()
    assert record_mark(planned) == "none"
