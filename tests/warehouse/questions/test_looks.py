"""The record of looks, and whether a comparison counts as planned."""

from __future__ import annotations

import json
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from tests.warehouse.questions.planning import PLAN, add_plan
from warehouse.errors import DefinitionError
from warehouse.marts.reader import Reader
from warehouse.plans.looks import FILE, read_looks, record_look
from warehouse.plans.planned_or_explored import Standing
from warehouse.plans.question import Question
from warehouse.questions.contrast import compare_pair
from warehouse.selection import Selection
from warehouse.upkeep.backup import backup, restore


def question(**changes: object) -> Question:
    base: dict[str, object] = {
        "definition": "D1 v1.0.0", "by": "sex", "first": "female", "second": "male", "selection": Selection()
    }  # fmt: skip
    return Question(**base | changes)  # type: ignore[arg-type]


def test_the_order_of_groups_and_variables_makes_no_other_question() -> None:
    one = question(adjust=("sex", "practice"))
    other = question(first="male", second="female", adjust=("practice", "sex"))
    assert (one.contrast, one.comparison, one.analysis) == (other.contrast, other.comparison, other.analysis)


def test_other_cases_make_another_comparison_of_the_same_contrast() -> None:
    narrowed = question(selection=Selection(filters={"sex": ("female",)}))
    assert narrowed.contrast == question().contrast
    assert narrowed.comparison != question().comparison


def test_another_adjustment_makes_another_analysis_of_the_same_comparison() -> None:
    assert question(adjust=("sex",)).comparison == question().comparison
    assert question(adjust=("sex",)).analysis != question().analysis


def test_comparisons_are_counted_once_and_analyses_apart(tmp_path: Path) -> None:
    record_look(tmp_path, build="1", questions=[question(), question(first="other")])
    record_look(tmp_path, build="1", questions=[question()])
    record = record_look(tmp_path, build="1", questions=[question(adjust=("age_at_start",))])
    assert (record.n_comparisons, record.n_analyses, len(record.looks)) == (2, 3, 2)
    assert record.is_whole
    assert record.is_kept


def test_the_same_look_on_a_new_build_is_a_new_look(tmp_path: Path) -> None:
    record_look(tmp_path, build="1", questions=[question()])
    record = record_look(tmp_path, build="2", questions=[question()])
    assert (record.n_comparisons, len(record.looks)) == (1, 2)


def test_the_record_holds_no_value_a_person_filtered_by(tmp_path: Path) -> None:
    asked = question(selection=Selection(filters={"practice": ("FOXGLOVE",)}))
    record_look(tmp_path, build="1", questions=[asked])
    assert "FOXGLOVE" not in (tmp_path / FILE).read_text()


@pytest.mark.parametrize("change", ["remove a line", "change a line", "not a line"])
def test_an_altered_record_shows(tmp_path: Path, change: str) -> None:
    for build in ("1", "2", "3"):
        record_look(tmp_path, build=build, questions=[question()])
    lines = (tmp_path / FILE).read_text().splitlines(keepends=True)
    altered = {
        "remove a line": lines[:1] + lines[2:],
        "change a line": [lines[0].replace("D1", "D2"), *lines[1:]],
        "not a line": [lines[0], "{}\n", *lines[1:]],
    }[change]
    (tmp_path / FILE).write_text("".join(altered))
    assert not read_looks(tmp_path).is_whole


def test_a_record_shortened_behind_a_mark_shows(tmp_path: Path) -> None:
    record_look(tmp_path, build="1", questions=[question()])
    mark = read_looks(tmp_path).digest
    assert read_looks(tmp_path, marks=[mark]).is_whole
    (tmp_path / FILE).unlink()
    assert read_looks(tmp_path).is_whole
    assert not read_looks(tmp_path, marks=[mark]).is_whole


def test_readers_who_look_at_once_lose_nothing(tmp_path: Path) -> None:
    def look(number: int) -> None:
        record_look(tmp_path, build=str(number), questions=[question(first=str(number))])

    with ThreadPoolExecutor(8) as pool:
        list(pool.map(look, range(24)))
    record = read_looks(tmp_path)
    assert record.n_comparisons == 24
    assert record.is_whole


def test_a_folder_that_cannot_be_written_to_is_said_not_raised(tmp_path: Path) -> None:
    (tmp_path / FILE).mkdir()
    record = record_look(tmp_path, build="1", questions=[question()])
    assert not record.is_kept
    assert record.n_comparisons == 1


def standing(folder: Path, **changes: object) -> Standing:
    asked: dict[str, object] = {
        "by": "appliance_category", "first": "expander_tooth_borne", "second": "fixed_labial", "adjust": ("sex",)
    }  # fmt: skip
    with Reader.open(folder) as reader:
        return compare_pair(reader, Question(**asked | changes)).standing  # type: ignore[arg-type]


def test_a_comparison_listed_before_anyone_looked_is_planned(planned: Path) -> None:
    assert standing(planned).kind == "planned"
    assert standing(planned, definition="D2").kind == "planned"
    found = standing(planned, selection=Selection(filters={"sex": ("female",)}))
    assert found.kind == "planned"
    assert found.plan is not None
    assert found.plan.build.startswith("0001-")
    assert found.n_comparisons == 3


def test_a_comparison_seen_before_is_not_planned_by_a_later_plan(folder: Path) -> None:
    standing(folder, selection=Selection(filters={"sex": ("male",)}), adjust=())
    add_plan(folder)
    found = standing(folder)
    assert found.kind == "planned after looking"
    assert "before the plan was registered" in found.note


@pytest.mark.parametrize(
    ("changes", "note"),
    [
        ({"adjust": ("sex", "age_at_start")}, "another adjustment"),
        ({"definition": "D3"}, "no audit plan"),
        ({"second": "functional_removable"}, "no audit plan"),
        ({"selection": Selection(selection="both")}, "no audit plan"),
        ({"selection": Selection(filters={"age_band": ("8-9",)})}, "no audit plan"),
    ],
)
def test_what_the_plan_does_not_list_is_explored(with_plan: Path, changes: dict[str, object], note: str) -> None:
    found = standing(with_plan, **changes)
    assert found.kind == "explored after"
    assert note in found.note


def test_a_plan_stays_as_it_was_registered(planned: Path) -> None:
    assert not add_plan(planned)
    with pytest.raises(DefinitionError, match="says something else"):
        add_plan(planned, PLAN.replace("crude", "overlap"))


def test_a_removed_record_takes_the_word_planned_away(folder: Path) -> None:
    standing(folder, first="functional_removable")
    add_plan(folder)
    (folder / FILE).unlink()
    found = standing(folder)
    assert found.kind == "planned after looking"
    assert "cannot be shown" in found.note
    assert not found.is_whole


def test_each_line_says_when_and_on_which_build(folder: Path) -> None:
    standing(folder)
    line = json.loads((folder / FILE).read_text().splitlines()[0])
    assert line["build"].startswith("0001-")
    assert line["at"].endswith("Z")
    assert line["outcome"] == "D1 v2.0.0"


def test_a_backup_keeps_the_record_so_that_plans_stay_planned(planned: Path, tmp_path: Path) -> None:
    before = standing(planned)
    backup(planned, tmp_path / "backup")
    restored = tmp_path / "restored"
    restore(tmp_path / "backup", restored)
    found = standing(restored)
    assert found.kind == "planned"
    assert found.is_whole
    assert found.n_comparisons == before.n_comparisons > 0
