"""The pages that take back and that list what is left, worked as a person does: said and agreed to first."""

from __future__ import annotations

from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from pipelines.cli import main
from tests.dashboard.conftest import APP, VARIABLES, everything_said
from tests.pipelines.test_case_numbers import n_cases, written


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    home = tmp_path_factory.mktemp("back")
    written(home / "a.csv", [f"P{n}" for n in range(6)])
    assert main(["ingest", str(home / "a.csv"), "--practice", "HARBOUR", "--warehouse", str(home / "w")]) == 0
    return home


@pytest.fixture
def home(made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, commands_here: None) -> Path:
    import shutil

    shutil.copytree(made, tmp_path, dirs_exist_ok=True)
    for name in VARIABLES:
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("MENTON_WAREHOUSE", str(tmp_path / "w"))
    return tmp_path


def opened(page: str) -> AppTest:
    app = AppTest.from_file(str(APP), default_timeout=300)
    app.switch_page(f"../pages/{page}.py")
    return app.run()


def pressed(page: AppTest, label: str) -> AppTest:
    (button,) = (one for one in page.button if one.label == label)
    return button.click().run()


def test_a_person_is_forgotten_by_the_page_after_it_said_what_would_go(home: Path) -> None:
    page = opened("take_back")
    assert "Nothing is changed before it is said what would change" in everything_said(page)
    assert not page.button
    page.text_input[0].set_value("p-3").run()
    pressed(page, "Say what would change")
    assert "there is no such case of this practice" in page.text[0].value
    page.text_input[0].set_value(" p 3").run()
    pressed(page, "Say what would change")
    said = everything_said(page)
    assert "Everything of this case goes, earlier versions included: 1 row of cases" in said
    assert n_cases(home / "w") == 6
    pressed(page, "Do it")
    assert page.success[0].value.startswith("Done. Build 0002")
    assert n_cases(home / "w") == 5


def test_a_load_is_taken_back_two_numbers_joined_and_a_practice_renamed_by_the_page(home: Path) -> None:
    page = opened("take_back")
    page.radio[0].set_value("Join two numbers of one person").run()
    page.text_input[0].set_value("P1").run()
    page.text_input[1].set_value("P2").run()
    pressed(page, "Say what would change")
    assert "The second number becomes another number of the first case" in everything_said(page)
    pressed(page, "Do it")
    assert n_cases(home / "w") == 5
    page.radio[0].set_value("Rename a practice").run()
    page.text_input[0].set_value("QUAY").run()
    pressed(page, "Say what would change")
    pressed(page, "Do it")
    assert page.success[0].value.startswith("Done.")
    page.radio[0].set_value("Take a load back").run()
    page.number_input[0].set_value(1).run()
    pressed(page, "Say what would change")
    assert "5 cases came with this load alone and would be gone." in everything_said(page)
    pressed(page, "Do it")
    assert n_cases(home / "w") == 0


def test_who_may_not_write_is_offered_no_way_back(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("MENTON_READ_ONLY", "1")
    assert "Take back" not in everything_said(opened("answer"))


def test_the_worklist_page_says_what_the_command_says(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    page = opened("worklist")
    said = everything_said(page)
    assert "No radiograph or other record is to be taken for this audit" in said
    capsys.readouterr()
    assert main(["worklist", "--warehouse", str(home / "w")]) == 0
    counted = [
        line.strip() for line in capsys.readouterr().out.splitlines() if line.startswith("  ") and "entr" in line
    ]
    assert len(counted) == 5
    assert all(line in said for line in counted)


def test_the_worklist_is_taken_along_with_own_numbers(home: Path) -> None:
    page = opened("worklist")
    content = (home / "a.csv").read_bytes()
    page.file_uploader[0].upload("a.csv", content, "text/csv").run()
    pressed(page, "Make the list")
    assert [one.label for one in page.get("download_button")] == ["Take along worklist.xlsx"]
    page.radio(key="job").set_value("quarantine").run()
    page.file_uploader[0].upload("a.csv", content, "text/csv").run()
    pressed(page, "Make the workbook")
    assert "no row of this file is in the quarantine" in everything_said(page)
    assert not page.get("download_button")


def test_a_load_that_looks_like_a_slip_is_confirmed_on_the_page(home: Path) -> None:
    page = opened("bring_in")
    content = (home / "a.csv").read_bytes()
    page.file_uploader[0].upload("a.csv", content, "text/csv").run()
    page.text_input[0].set_value("HARBOR").run()
    pressed(page, "Check every row, keep nothing yet")
    assert "HARBOR is new in this warehouse" in page.text[0].value
    page.checkbox[0].check().run()
    pressed(page, "Check every row, keep nothing yet")
    assert "6 of 6 rows would be loaded" in everything_said(page)
    assert n_cases(home / "w") == 6
