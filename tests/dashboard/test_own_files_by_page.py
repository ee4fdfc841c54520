"""The ten kinds of files of practices get in by the page as well, chosen column by column and spelling by spelling."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page
from streamlit.testing.v1 import AppTest

from dashboard.parts.choosing import NOT_KNOWN
from tests.dashboard.browsing import choose, person, press, rest, served, until
from tests.dashboard.conftest import APP, VARIABLES, everything_said
from tests.dashboard.test_bring_in_page import LOAD, PROPOSED, TRY_OUT, picked, pressed
from tests.pipelines.own_files import COMPARISON, KINDS, SELECTION, Correction, OwnFile, german, merged_workbook
from tests.pipelines.test_own_files import held, truth_of
from warehouse.store.store import open_store

IN_TREATMENT = ("constants", "status", "in_treatment")


@pytest.fixture
def warehouse(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, commands_here: None) -> Path:
    """A warehouse that is not there yet."""
    for name in VARIABLES:
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("MENTON_WAREHOUSE", str(tmp_path / "data"))
    return tmp_path / "data"


def opened(*paths: Path) -> AppTest:
    """The page with the files handed over and a mapping proposed."""
    page = AppTest.from_file(str(APP), default_timeout=300).run()
    page.switch_page("../pages/bring_in.py").run()
    for path in paths:
        page.file_uploader[0].upload(path.name, path.read_bytes(), "application/octet-stream").run()
    page.radio[0].set_value(PROPOSED).run()
    return page


def chosen(page: AppTest, correction: Correction) -> None:
    """One thing that is open, settled as a user does."""
    section, key, value = correction
    label = key.replace("_", " ") if section == "constants" else key if section == "columns" else f"“{key}”"
    if section == "codes.extracted_teeth":
        (field,) = (one for one in page.text_input if one.label.startswith(label))
        field.set_value(value).run()
    else:
        picked(page, label, value or NOT_KNOWN)


def begun(path: Path, lines: Sequence[str], *more: Correction) -> AppTest:
    """The page with a file of these lines, the cases said to be consecutive and treated, and more that is chosen."""
    path.write_text("\n".join(lines), encoding="utf-8")
    page = opened(path)
    for correction in (SELECTION, COMPARISON, *more):
        chosen(page, correction)
    return page


def loaded(page: AppTest) -> str:
    """Practice named, every row checked, loaded; what was said of the rows."""
    (practice,) = (one for one in page.text_input if one.label.startswith("Pseudonym"))
    practice.set_value("HARBOUR").run()
    pressed(page, TRY_OUT)
    said = everything_said(page)
    pressed(page, LOAD)
    assert [one.value for one in page.success] == ["Loaded. Every page now shows the new build."]
    return said


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.__name__)
def test_a_file_gets_in_by_the_page(kind: Callable[[Path], OwnFile], tmp_path: Path, warehouse: Path) -> None:
    file = kind(tmp_path)
    page = opened(*file.paths)
    assert len(file.corrections) <= 6
    for correction in file.corrections:
        chosen(page, correction)
    assert "Nothing is open." in everything_said(page)
    loaded(page)
    assert held(warehouse) == truth_of(file)


def test_a_spelling_of_teeth_can_say_nothing(tmp_path: Path, warehouse: Path) -> None:
    teeth = ["14 24", "zz", "none", "zz"]
    rows = [f"{n},f,11.{n},fixed,{taken},{n + 4}" for n, taken in enumerate(teeth, start=1)]
    page = begun(tmp_path / "cases.csv", ["No,Sex,Age,Appliance,Extractions,Wits T1", *rows], IN_TREATMENT)
    chosen(page, ("codes.extracted_teeth", "zz", "not known"))
    assert "4 of 4 rows would be loaded" in loaded(page)
    with open_store(warehouse) as store:
        assert store.value("select count(*) from cases where extracted_teeth is null") == 2


def test_a_unit_is_chosen_on_the_page(tmp_path: Path, warehouse: Path) -> None:
    rows = [f"{n},f,11.{n},fixed,{n + 4},{n + 4}.5" for n in range(1, 5)]
    page = begun(tmp_path / "cases.csv", ["No,Sex,Age,Appliance,Wits T1,ANS-Me T1", *rows], IN_TREATMENT)
    said = everything_said(page)
    assert "the values fit if they are in cm" in said
    picked(page, "ANS-Me T1", "lafh_mm_start")
    picked(page, "Unit of “ANS-Me T1”", "cm")
    assert "4 of 4 rows would be loaded" in loaded(page)
    with open_store(warehouse) as store:
        assert store.value("select sum(lafh_mm) from readings where replaced_by is null") == pytest.approx(280.0)


def test_what_is_written_in_a_column_that_was_chosen_is_asked_too(tmp_path: Path, warehouse: Path) -> None:
    gadgets = ["Wobble", "fixed", "fixed", "Wobble"]
    rows = [f"{n},f,11.{n},{gadget},zz,running,{n + 4}" for n, gadget in enumerate(gadgets, start=1)]
    page = begun(tmp_path / "cases.csv", ["No,Sex,Age,Gadget,Gone,State of play,Wits T1", *rows])
    assert "Wobble" in everything_said(page), "as one of the cells of the column"
    assert not [one for one in page.selectbox if one.label.startswith("“wobble”")]
    for heading, name in (("Gadget", "phase_1_appliance_category"), ("Gone", "extracted_teeth")):
        picked(page, heading, name)
    picked(page, "State of play", "status")
    for spelling, section, code in (
        ("wobble", "codes.appliance_category", "removable_plate"),
        ("zz", "codes.extracted_teeth", "14 24"),
        ("running", "codes.status", "in_treatment"),
    ):
        assert f"“{spelling}” under" in everything_said(page)
        chosen(page, (section, spelling, code))
    assert "Nothing is open." in everything_said(page)
    assert "4 of 4 rows would be loaded" in loaded(page)
    with open_store(warehouse) as store:
        said = store.rows("select status, extracted_teeth, appliance_category from cases join phases using (case_no)")
    assert sorted(said) == [("in_treatment", "14 24", name) for name in ["fixed_labial"] * 2 + ["removable_plate"] * 2]


@pytest.fixture(scope="module")
def tab(browser: Browser, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Page, Path]]:
    """A tab at the dashboard of a warehouse, and where that one will be: a test begins with none there."""
    folder = tmp_path_factory.mktemp("served") / "data"
    shown = {"width": 1280, "height": 900}
    with served(folder) as at, person(browser, at, viewport=shown, base_url=str(at)) as context:
        yield context.new_page(), folder


@pytest.mark.browser
@pytest.mark.parametrize("kind", [german, merged_workbook], ids=lambda kind: kind.__name__)
def test_a_file_gets_in_by_a_real_browser(
    kind: Callable[[Path], OwnFile], tmp_path: Path, tab: tuple[Page, Path]
) -> None:
    page, folder = tab
    for path in folder.parent.glob(f"{folder.name}*"):  # of the test before; what lies beside the folder goes too
        (shutil.rmtree if path.is_dir() else Path.unlink)(path)
    file = kind(tmp_path)
    page.goto("/bring_in")
    rest(page)
    page.locator("input[type=file]").set_input_files(file.paths[0])
    rest(page)
    page.get_by_text(PROPOSED, exact=True).click()
    until(page, "() => document.body.innerText.includes('Still open')")
    for section, key, value in file.corrections:
        begins = key.replace("_", " ") if section == "constants" else f"“{key}”"
        label = page.locator("label").filter(has_text=re.compile(f"^{re.escape(begins)}")).inner_text()
        choose(page, label, value)
    until(page, "() => document.body.innerText.includes('Nothing is open.')")
    field = page.get_by_role("textbox", name="Pseudonym of the practice")
    field.fill("HARBOUR")
    field.press("Enter")
    press(page, TRY_OUT)
    until(page, "() => document.body.innerText.includes('rows would be loaded')")
    press(page, LOAD)
    until(page, "() => document.body.innerText.includes('Every page now shows the new build')")
    assert held(folder) == truth_of(file)
