"""How it is counted: the plans on record, how much was looked at, and the proof by simulation."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from markdown_it import MarkdownIt
from streamlit.testing.v1 import AppTest

from pipelines.cli import main
from tests.dashboard.conftest import Open, everything_said
from tests.warehouse.questions.planning import PLAN, add_plan
from warehouse.export_safety import as_markdown
from warehouse.marts.reader import Reader
from warehouse.plans.looks import FILE
from warehouse.plans.planned_or_explored import PlansAndLooks, plans_and_looks
from warehouse.plans.question import Question
from warehouse.questions.contrast import compare_pair
from warehouse.store.access import LEFT
from warehouse.upkeep.proof import proof
from warehouse.words.plans import looks_sentences, plans_sentence

Look = Callable[[], None]


@pytest.fixture
def own(folder: Path, tmp_path: Path) -> Path:
    """A copy of the warehouse, with an empty record of looks, of which nobody else saw anything."""
    copy = tmp_path / "own"
    shutil.copytree(folder, copy)
    for record in (FILE, LEFT):
        (copy / record).unlink(missing_ok=True)
    return copy


def look(folder: Path) -> None:
    with Reader.open(folder) as reader:
        compare_pair(
            reader, Question(by="appliance_category", first="expander_tooth_borne", second="fixed_labial", adjust=[])
        )


def page_of(opened: Open, folder: Path, monkeypatch: pytest.MonkeyPatch) -> AppTest:
    opened()  # clears what the environment says
    monkeypatch.setenv("MENTON_WAREHOUSE", str(folder))
    return opened("methods", fresh=True)


SPY = "![seen](http://192.0.2.1/spy.png) **bold**"


def test_words_of_a_definition_of_ones_own_never_act_as_markdown(
    opened: Open, own: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["definitions", "--example"]) == 0
    example = capsys.readouterr().out
    hostile = re.sub(r'(?m)^label = ".*"$', f'label = "{SPY}"', example, count=1)
    assert hostile != example
    (tmp_path / "own.toml").write_text(hostile, encoding="utf-8")
    assert main(["definitions", "--warehouse", str(own), "--add", str(tmp_path / "own.toml")]) == 0
    app = page_of(opened, own, monkeypatch)
    cells = [str(cell) for one in app.table for row in one.value.to_numpy().tolist() for cell in row]
    mine = [cell for cell in cells if "spy.png" in cell]
    assert mine
    for cell in mine:
        assert as_markdown(SPY) in cell
        assert SPY not in cell
    words = ["--warehouse", str(own), "--definition", "P1", "--out", str(tmp_path / "methods.md"), "--title", SPY]
    assert main(["report", *words]) == 0
    written = (tmp_path / "methods.md").read_text(encoding="utf-8")
    assert written.count(as_markdown(SPY)) >= 2, "as the title, and as the label of the definition"
    read = MarkdownIt("commonmark").parse(written)
    assert not {part.type for token in read for part in token.children or ()} & {"image", "link_open", "strong_open"}


def test_without_a_plan_everything_is_explored(opened: Open, own: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    app = page_of(opened, own, monkeypatch)
    assert not app.exception
    said = everything_said(app)
    assert "No audit plan is on record: no comparison here was planned in advance." in said
    assert "No comparison has been looked at yet." in said


def test_a_plan_is_shown_with_its_question_date_digest_and_standing(
    opened: Open, own: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    add_plan(own, PLAN)
    look(own)
    with Reader.open(own) as reader:
        (plan,) = plans_and_looks(reader).plans
    said = everything_said(page_of(opened, own, monkeypatch))
    assert "1 audit plan is on record; it came before its groups were looked at." in said
    for text in ("Do faces lengthen more often with an expander?", "2025-02-03", plan.registered.sha256[:16]):
        assert text in said
    assert "Planned: its groups had not been looked at when it was registered. Looked at since." in said
    assert "1 different comparison has been looked at, at 1 time" in said


def test_a_look_made_after_the_page_was_shown_is_counted(
    opened: Open, own: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    app = page_of(opened, own, monkeypatch)
    assert "No comparison has been looked at yet." in everything_said(app)
    look(own)
    again = everything_said(app.run())
    assert "1 different comparison has been looked at" in again
    assert "It is of an outcome and a grouping that no plan names: not planned in advance." in again


def test_the_proof_is_shown_finding_by_finding(opened: Open) -> None:
    app = opened("methods")
    said = everything_said(app)
    assert proof().sentence in said
    titles = [one.label for one in app.expander]
    for title, findings in proof().sections.items():
        assert f"{title} ({len(findings)})" in titles
        for one in findings:
            assert one.what in said
            assert f"{one.found:.4f}" in said


def record(**changes: object) -> PlansAndLooks:
    plain = {
        "plans": (), "n_looks": 3, "n_comparisons": 40, "n_analyses": 44, "n_unplanned": 7,
        "first_look": "2026-01-02T10:00:00Z", "last_look": "2026-02-03T10:00:00Z", "is_whole": True,
    }  # fmt: skip
    return PlansAndLooks(**plain | changes)  # type: ignore[arg-type]


def test_looks_are_told_in_words() -> None:
    assert looks_sentences(record()) == [
        "40 different comparisons have been looked at, at 3 times, the first on 2026-01-02, the last on 2026-02-03.",
        "Counted anew for every other adjustment they are 44.",
        "7 of them are of an outcome and a grouping that no plan names: not planned in advance.",
        "If nothing differed, about one in twenty would still look like a difference.",
    ]
    assert looks_sentences(record(is_whole=False))[-1].startswith("The record of looks was altered")
    assert plans_sentence(record()) == "No audit plan is on record: no comparison here was planned in advance."


def test_commands_are_set_as_such_and_no_setting_of_a_machine_is_asked_for(
    opened: Open, own: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    app = page_of(opened, own, monkeypatch)
    marked = "\n".join(line for one in app.main for line in str(one.proto).splitlines() if "<p class=" in line)
    assert "<code>menton definitions --add FILE.toml</code>" in marked
    assert "<code>menton plan --example</code>" in marked
    assert "`" not in marked
    assert "MENTON_" not in marked
