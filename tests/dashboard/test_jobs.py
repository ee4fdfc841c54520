"""Every command from a page: the table of command and page, and each kind of job worked as a person does."""

from __future__ import annotations

import io
import shutil
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from dashboard.parts.jobs import JOBS, Job
from dashboard.parts.navigation import MAP
from pipelines.cli import COMMANDS, _parser, main
from pipelines.commands.declared import asked_by
from pipelines.commands.demo import INVENTED
from tests.dashboard.conftest import APP, VARIABLES, everything_said
from tests.hand_made import load_rows
from tests.pipelines.group.test_two_users import PRACTICES, rows
from tests.pipelines.test_case_numbers import written
from warehouse.marts.catalogues import register
from warehouse.marts.reader import Reader
from warehouse.plans.planned_or_explored import present_record
from warehouse.store.store import open_store

PAGE_OF = {
    "ingest": "bring_in",
    "draft-mapping": "bring_in",
    "forget": "take_back",
    "undo": "take_back",
    "join": "take_back",
    "rename-practice": "take_back",
    "rate": "answer",
    "missing": "behind",
    "compare": "comparisons",
    "changes": "comparisons",
    "corners": "cases",
    "results": "cases",
    "draw": "cases",
    "drift": "drift",
    "report": "take_along",
}
"""Command -> the page that asks or shows the same; for those that are no job of a page."""

NOT_FROM_A_PAGE = {
    "dashboard": "it serves the pages",
    "shortcut": "it starts the pages",
    "rekey": "the key would go through the browser",
    "records": "for a cluster, whose files no browser holds",
    "build": "for a cluster, whose files no browser holds",
}


def test_every_command_has_its_page_or_a_reason_why_not() -> None:
    of_jobs = {job.command[0] for jobs in JOBS.values() for job in jobs.values()}
    assert set(COMMANDS) == of_jobs | set(PAGE_OF) | set(NOT_FROM_A_PAGE)
    assert not of_jobs & set(NOT_FROM_A_PAGE)
    pages = {entry.address for entries in MAP.values() for entry in entries}
    assert set(PAGE_OF.values()) | set(JOBS) <= pages


def test_every_verb_of_a_study_group_is_a_job() -> None:
    parser = _parser(["group"])
    (commands,) = (one for one in parser._actions if one.choices)
    (verbs,) = (one for one in commands.choices["group"]._actions if one.choices)  # type: ignore[call-overload, index]
    assert {job.command[1] for job in JOBS["group"].values() if len(job.command) > 1} == set(verbs.choices)


@pytest.mark.parametrize("job", [job for jobs in JOBS.values() for job in jobs.values()], ids=lambda job: job.title)
def test_a_job_asks_what_its_command_asks(job: Job) -> None:
    parser = _parser(job.command)
    (commands,) = (one for one in parser._actions if one.choices)
    options = {one["name"]: one for one in asked_by(commands.choices[job.command[0]], job.command[1:])}  # type: ignore[call-overload, index]
    told = {*job.asked, *job.folder, *([job.example] if job.example else ())}
    for step in job.steps:
        told |= {*step.fixed, *step.made, *([step.example] if step.example else ())}
        needed = {name for name, one in options.items() if one["required"]}
        assert needed <= {*job.asked, *step.made, *step.fixed}, "or the command would refuse every time"
    assert told <= set(options)


@pytest.fixture
def opened(monkeypatch: pytest.MonkeyPatch, commands_here: None) -> Callable[..., AppTest]:
    """Opens a page on a warehouse."""
    for name in VARIABLES:
        monkeypatch.delenv(name, raising=False)

    def opening(warehouse: Path, page: str, **address: str) -> AppTest:
        monkeypatch.setenv("MENTON_WAREHOUSE", str(warehouse))
        app = AppTest.from_file(str(APP), default_timeout=300)
        app.switch_page(f"../pages/{page}.py")
        for name, value in address.items():
            app.query_params[name] = value
        app.run()
        assert not app.exception
        return app

    return opening


def pressed(page: AppTest, label: str) -> AppTest:
    (button,) = (one for one in page.button if one.label == label)
    assert not button.disabled
    return button.click().run()


def taken(page: AppTest, step: str, name: str) -> bytes:
    """What a step of a job hands over by its button."""
    assert f"Take along {name}" in [one.label for one in page.get("download_button")]
    return bytes(dict(page.session_state[f"told-{step}"][1].made)[name])


@pytest.fixture
def practice(folder: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(folder, tmp_path / "cases"))


def test_an_empty_warehouse_is_begun_with_a_template_or_an_invented_group(
    opened: Callable[..., AppTest], tmp_path: Path
) -> None:
    page = opened(tmp_path / "cases", "guide")
    assert "There is no case here yet" in everything_said(page)
    assert "Load the invented group" in [one.label for one in page.button]
    pressed(page, "Make the template")
    assert taken(page, "guide-template-0", "menton-template.xlsx").startswith(b"PK")
    assert "menton ingest" not in everything_said(page), "a command is named by its page"


def test_real_cases_are_neither_mixed_with_invented_ones_nor_moved_aside(
    opened: Callable[..., AppTest], tmp_path: Path
) -> None:
    home = tmp_path / "cases"
    load_rows(home, rows("CHAPEL", 12, 1), practice="CHAPEL")
    assert main(["demo", "--warehouse", str(home), "--exports", str(tmp_path / "e")]) == 1
    page = pressed(opened(home, "guide"), "Set it aside")
    assert "practices that are not invented" in everything_said(page)
    assert (home / "store.duckdb").exists()


def test_a_warehouse_of_invented_cases_is_moved_aside_whole(opened: Callable[..., AppTest], tmp_path: Path) -> None:
    home = tmp_path / "cases"
    load_rows(home, rows("HARBOUR", 12, 1), practice="HARBOUR")
    words = ["demo", "--warehouse", str(home), "--exports", str(tmp_path / "e")]
    assert main(words) == 1, "a practice of one's own may bear the name of an invented one"
    page = pressed(opened(home, "guide"), "Set it aside")
    assert "the warehouse was not made by the demo" in everything_said(page)
    assert (home / "store.duckdb").exists()
    with open_store(home) as store:
        assert store.value("select count(*) from loads") == 1, "nothing was added"
        register(store, "setting", INVENTED, "1", "Lantern Bay")
    pressed(opened(home, "guide"), "Set it aside")
    assert not home.exists()
    (aside,) = tmp_path.glob("cases.before-*")
    assert (aside / "store.duckdb").exists()


def test_a_definition_is_counted_before_it_is_added_and_the_look_is_on_record(
    opened: Callable[..., AppTest], practice: Path
) -> None:
    with Reader.open(practice) as reader:
        looks = len(present_record(reader).looks)
    page = opened(practice, "plans", job="definition")
    assert "Add this definition" not in [one.label for one in page.button]
    pressed(page, "Count what it would change")
    said = everything_said(page)
    assert "P1 v1.0.0:" in said
    assert "counts it" in said
    with Reader.open(practice) as reader:
        assert len(present_record(reader).looks) == looks + 1
        assert "P1" not in {one.id for one in reader.registry}
    (threshold,) = (one for one in page.number_input if one.label == "Threshold")
    threshold.set_value(2.5).run()
    assert "Add this definition" not in [one.label for one in page.button], (
        "what was counted is no longer what is meant"
    )
    pressed(page, "Count what it would change")
    pressed(page, "Add this definition")
    with Reader.open(practice) as reader:
        assert reader.registry.get("P1").parts[0].threshold == 2.5


def test_a_measure_is_counted_before_it_is_added_and_the_look_is_on_record(
    opened: Callable[..., AppTest], practice: Path
) -> None:
    with Reader.open(practice) as reader:
        looks = len(present_record(reader).looks)
    page = opened(practice, "plans", job="measure")
    assert "Add this measure" not in [one.label for one in page.button]
    pressed(page, "Count where it can be had")
    assert "no case has it until a file with it comes in" in everything_said(page)
    with Reader.open(practice) as reader:
        assert len(present_record(reader).looks) == looks + 1
        assert "own_distance_mm" not in reader.connection.columns("mart_spans")
    pressed(page, "Add this measure")
    assert page.session_state["told-plans-measure-1"][1].told.is_well


def test_a_plan_is_put_on_record_by_filling_in_fields(opened: Callable[..., AppTest], practice: Path) -> None:
    page = pressed(opened(practice, "plans"), "Count the cases it is about")
    assert "what became of them was not looked at" in everything_said(page)
    pressed(page, "Put it on record")
    assert "Plan P1 is on record" in everything_said(page)


def test_a_backup_is_made_remembered_and_put_back(opened: Callable[..., AppTest], tmp_path: Path) -> None:
    practice = tmp_path / "cases"
    written(tmp_path / "a.csv", [f"P{n}" for n in range(6)])
    assert main(["ingest", str(tmp_path / "a.csv"), "--practice", "HARBOUR", "--warehouse", str(practice)]) == 0
    page = opened(practice, "upkeep")
    assert "No backup of this warehouse is on record." in everything_said(page)
    pressed(page, "Make the backup")
    assert "The last backup is 0 days old" in everything_said(page)
    made = taken(page, "upkeep-backup-0", "menton-backup.zip")
    page = opened(practice, "upkeep", job="restore")
    button = next(one for one in page.button if one.label == "Put it back")
    assert button.disabled
    assert "Still to be filled in: The backup (ZIP)" in everything_said(page)
    page.file_uploader[0].upload("menton-backup.zip", made, "application/zip").run()
    pressed(page, "Put it back")
    assert "there is something in the warehouse folder already" in everything_said(page)
    assert "say --replace" not in everything_said(page), "an option is named by its field"
    page.checkbox[0].check().run()
    pressed(page, "Put it back")
    told = page.session_state["told-upkeep-restore-0"][1].told
    assert "every hash was checked" in told.printed, told.said
    assert "nothing wrong" in everything_said(pressed(opened(practice, "upkeep", job="verify"), "Check"))


@pytest.mark.parametrize("kind", ["no zip", "a bomb", "a way out"])
def test_a_zip_that_is_none_changes_nothing(
    opened: Callable[..., AppTest], practice: Path, tmp_path: Path, kind: str
) -> None:
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as into:
        into.writestr("../../out.txt" if kind == "a way out" else "b/0", b"\0" * (2**27 if kind == "a bomb" else 1))
    content = b"nothing" if kind == "no zip" else held.getvalue()
    page = opened(practice, "upkeep", job="restore")
    page.file_uploader[0].upload("b.zip", content, "application/zip").run()
    page.checkbox[0].check().run()
    pressed(page, "Put it back")
    assert page.warning
    assert (practice / "store.duckdb").exists()
    assert not list(tmp_path.parent.rglob("out.txt"))


def test_a_study_group_from_its_founding_to_a_members_own_line(opened: Callable[..., AppTest], tmp_path: Path) -> None:
    """Three practices and a coordinator, each at pages of their own."""
    bay = tmp_path / "bay" / "cases"
    page = opened(bay, "group", here="coordinator", job="init")
    page.text_input[0].set_value("Lantern Bay").run()
    pressed(page, "Found it")
    assert "is made: folder study-group" in everything_said(page)
    page = opened(bay, "group", here="coordinator", job="agreement")
    by = {one.label: one for one in page.text_input}
    by["Variables to pool shares by, separated by commas"].set_value("extraction")
    by["What is known of a case, separated by commas"].set_value("age_band,sex,extraction")
    by["Years of start told apart, such as 2015-2025"].set_value("2016-2023").run()
    assert "fingerprint" in everything_said(pressed(page, "Put it in force"))
    page = opened(bay, "group", here="coordinator", job="invite")
    page.number_input[0].set_value(3).run()
    pressed(page, "Make the invitations")
    with zipfile.ZipFile(io.BytesIO(taken(page, "group-invite-0", "invitations.zip"))) as held:
        invitations = [held.read(name) for name in sorted(held.namelist())]
    sent = []
    for number, (name, invitation) in enumerate(zip(PRACTICES, invitations, strict=True)):
        home = tmp_path / name / "cases"
        load_rows(home, rows(name, 90 + 10 * number, number), practice=name)
        page = opened(home, "group")
        page.file_uploader[0].upload("invitation.json", invitation, "application/json").run()
        pressed(page, "Show what would leave")
        assert "The risk that is left" in everything_said(page)
        assert next(one for one in page.button if one.label == "Write the file to send").disabled
        next(one for one in page.checkbox if one.label.startswith("I have read")).check().run()
        pressed(page, "Write the file to send")
        sent.append(taken(page, "group-agree-1", "contribution.menton"))
    page = opened(bay, "group", here="coordinator", job="take")
    page.file_uploader[0].upload("h.menton", sent[0], "application/octet-stream").run()
    pressed(page, "Take them in")
    for content in sent[1:]:
        page = opened(bay, "group", here="coordinator", job="take")
        page.file_uploader[0].upload("f.menton", content, "application/octet-stream").run()
        assert "takes part from now on" in everything_said(pressed(page, "Take them in"))
    page = pressed(opened(bay, "group", here="coordinator", job="pooled"), "Pool")
    result = taken(page, "group-pooled-0", "result.json")
    page = opened(home, "group", job="read")
    page.file_uploader[0].upload("result.json", result, "application/json").run()
    pressed(page, "Read it")
    assert "Kept for the dashboard" in everything_said(page)
    page = opened(home, "group", job="leave")
    page.file_uploader[0].upload("invitation.json", invitations[-1], "application/json").run()
    pressed(page, "Say what is taken back")
    next(one for one in page.checkbox if one.label == "I want to withdraw").check().run()
    pressed(page, "Write the withdrawal to send")
    page_of_coordinator = opened(bay, "group", here="coordinator", job="take")
    page_of_coordinator.file_uploader[0].upload(
        "w.menton", taken(page, "group-leave-1", "withdrawal.menton"), "application/octet-stream"
    ).run()
    assert "has withdrawn" in everything_said(pressed(page_of_coordinator, "Take them in"))


@pytest.mark.parametrize("page", JOBS)
def test_who_may_only_look_is_offered_no_job(
    opened: Callable[..., AppTest], practice: Path, monkeypatch: pytest.MonkeyPatch, page: str
) -> None:
    monkeypatch.setenv("MENTON_READ_ONLY", "1")
    if page == "worklist":
        assert not [one for one in opened(practice, page).button if one.label.startswith("Make the")]
        return
    app = opened(practice, "answer")
    with pytest.raises(ValueError, match=page):
        app.switch_page(f"../pages/{page}.py").run()
