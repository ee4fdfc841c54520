"""The page that brings in a file, from handing it over to the load: what it says at every step."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest
from streamlit.testing.v1 import AppTest

from dashboard.parts import upload as bringing
from dashboard.parts.upload import Delivered, Rehearsal, Told
from tests.dashboard.conftest import APP, VARIABLES, everything_said
from warehouse.marts.reader import Reader
from warehouse.questions.shares import rates
from warehouse.upkeep.data_quality import LoadPreview, RuleCount

HEADINGS = (
    "case_id,sex,age_at_start,start_quarter,selection,status,comparison,phase_1_appliance_category,sn_gogn_deg_start"
)
GOOD = "A1,female,11.2,2021-Q1,consecutive,in_treatment,treated,fixed_labial,31.5"
BAD = "A2,female,11.2,2021-Q1,consecutive,in_treatment,treated,fixed_labial,315"

TRY_OUT, LOAD = "Check every row, keep nothing yet", "Load into the warehouse"
OWN_NAMES, PROPOSED, OWN_MAPPING = (
    "as in the template",
    "proposed from the file, to be chosen",
    "from a mapping file saved earlier",
)

Opened = Callable[[], AppTest]


@pytest.fixture
def folder_to_fill(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A warehouse that is not there yet."""
    for name in VARIABLES:
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("MENTON_WAREHOUSE", str(tmp_path / "cases"))
    return tmp_path / "cases"


@pytest.fixture
def page(folder_to_fill: Path) -> AppTest:
    """The page; of an empty warehouse the guide opens, which leads to it."""
    app = AppTest.from_file(str(APP), default_timeout=300).run()
    assert [one.value for one in app.title] == ["Start here"]
    app.switch_page("../pages/bring_in.py").run()
    assert [one.value for one in app.title] == ["Bring in a file"]
    return app


def hand_over(page: AppTest, *rows: str, headings: str = HEADINGS) -> AppTest:
    content = "\n".join([headings, *rows, ""]).encode()
    return page.file_uploader[0].upload("cases.csv", content, "text/csv").run()


def pressed(page: AppTest, label: str) -> AppTest:
    (button,) = (one for one in page.button if one.label == label)
    return button.click().run()


def headers(page: AppTest) -> list[str]:
    return [one.value for one in page.main.header]


def test_nothing_is_offered_before_a_file_is_handed_over(page: AppTest) -> None:
    assert headers(page) == ["1. Hand over"]
    assert "Names, full dates and record numbers are refused" in everything_said(page)
    assert not page.button


@pytest.mark.usefixtures("commands_here")
def test_a_file_is_handed_over_tried_out_and_loaded(page: AppTest, folder_to_fill: Path) -> None:
    hand_over(page, GOOD, BAD)
    assert headers(page) == ["1. Hand over", "2. Settle the columns", "3. Try it out"]
    page.text_input[0].set_value("HARBOUR").run()
    assert "Nothing has been tried out yet" in everything_said(page)
    pressed(page, TRY_OUT)
    said = everything_said(page)
    assert "1 of 2 rows would be loaded, 1 turned away." in said
    assert "They bring or correct 1 case." in said
    assert [one.value for one in page.subheader] == ["Turned away, by reason", "What would be kept"]
    assert "A1" not in str(page.dataframe[0].value)
    assert not folder_to_fill.exists(), "trying out keeps nothing"
    assert headers(page)[-1] == "4. Load"
    pressed(page, LOAD)
    assert [one.value for one in page.success] == ["Loaded. Every page now shows the new build."]
    with Reader.open(folder_to_fill) as reader:
        assert rates(reader).groups[0].started.n == 1


def test_a_refused_file_is_told_why_and_nothing_can_be_loaded(page: AppTest, folder_to_fill: Path) -> None:
    hand_over(page, "Anna", headings="patient_name")
    pressed(page, TRY_OUT)
    assert [one.value for one in page.warning] == ["Refused; nothing was kept."]
    assert "what to do" in "\n".join(one.value for one in page.text)
    assert "4. Load" not in headers(page)
    assert not folder_to_fill.exists()


DRAFT = {
    "settings": {"decimal": "."},
    "columns": [
        {
            "heading": "Plane T1",
            "state": "unsure",
            "names": ["sn_gogn_deg_start", "sn_gome_deg_start"],
            "why": "which",
            "values": ["31.5"],
        },
        {"heading": "Who", "state": "mapped", "names": ["sex"], "why": "", "values": ["h"]},
        {"heading": "Phone", "state": "identifying", "names": [], "why": "contact details", "values": []},
    ],
    "codes": [
        {
            "section": "sex",
            "choices": ["male", "female", "other", "unknown"],
            "spellings": [
                {
                    "spelling": "h",
                    "cells": 3,
                    "row": 2,
                    "code": "male",
                    "read": False,
                    "among": [],
                    "why": "",
                    "shown": True,
                },
                {
                    "spelling": "m",
                    "cells": 2,
                    "row": 3,
                    "code": None,
                    "read": False,
                    "among": [],
                    "why": "set",
                    "shown": True,
                },
            ],
        }
    ],
    "units": {},
    "constants": {},
    "required": [{"name": "selection", "choices": ["consecutive", "selected"]}],
    "names": [
        {"name": "sex", "units": [], "codes": "sex"},
        {"name": "sn_gogn_deg_start", "units": ["degrees", "radians"], "codes": ""},
        {"name": "sn_gome_deg_start", "units": ["degrees", "radians"], "codes": ""},
    ],
    "left": [],
}


@pytest.fixture
def told(monkeypatch: pytest.MonkeyPatch) -> list[list[str]]:
    """Commands asked for, each answered at once; ``draft-mapping`` with a mapping."""
    asked: list[list[str]] = []

    def answered(words: list[str], _room: Path) -> Told:
        asked.append(list(words))
        return Told(is_well=True, printed=json.dumps(DRAFT), said="")

    monkeypatch.setattr(bringing, "_run", answered)
    return asked


def picked(page: AppTest, label: str, value: str) -> AppTest:
    (box,) = (one for one in page.selectbox if one.label.startswith(label))
    return box.set_value(value).run()


def test_what_columns_and_spellings_mean_is_chosen(
    page: AppTest, told: list[list[str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    rehearsed: list[Delivered] = []

    def noted(delivered: Delivered, _place: object) -> Rehearsal:
        rehearsed.append(delivered)
        return Rehearsal(delivered.fingerprint, Told(is_well=False, printed="", said=""), None)

    monkeypatch.setattr(bringing, "rehearse", noted)
    hand_over(page, "31.5", headings="Plane T1")
    page.radio[0].set_value(PROPOSED).run()
    said = everything_said(page)
    assert "Still open, 4 things:" in said
    assert "“m” under sex" in said
    assert "31.5" in str([one.label for one in page.selectbox]), "a column shows some of its own values"
    picked(page, "Plane T1", "sn_gome_deg_start")
    picked(page, "“h”", "male")
    picked(page, "“m”", "female")
    picked(page, "selection", "consecutive")
    assert "Nothing is open." in everything_said(page)
    assert [words[0] for words in told] == ["draft-mapping"], "the same file is drafted once"
    pressed(page, TRY_OUT)
    assert tomllib.loads(str(rehearsed[0].mapping)) == {
        "file": {"decimal": "."},
        "columns": {"Plane T1": "sn_gome_deg_start", "Who": "sex"},
        "ignored": {"Phone": "contact details"},
        "codes": {"sex": {"h": "male", "m": "female"}},
        "constants": {"selection": "consecutive"},
    }
    assert "The command ended without saying why." in [one.value for one in page.text]


def test_a_file_that_cannot_be_drafted_is_told_why(page: AppTest, monkeypatch: pytest.MonkeyPatch) -> None:
    refused = Told(is_well=False, printed="", said="the file holds no table")
    monkeypatch.setattr(bringing, "_run", lambda *_: refused)
    hand_over(page, "x", headings="y")
    page.radio[0].set_value(PROPOSED).run()
    assert [one.value for one in page.warning] == ["Refused; nothing was kept."]
    assert "the file holds no table" in [one.value for one in page.text]


def test_a_mapping_saved_earlier_is_gone_on_from(page: AppTest, told: list[list[str]]) -> None:
    hand_over(page, GOOD)
    page.radio[0].set_value(OWN_MAPPING).run()
    page.file_uploader[1].upload("mine.toml", b"[columns]\n", "application/toml").run()
    assert "--from" in told[-1]


def previewed(*loads: object, turned_away: tuple[RuleCount, ...] = ()) -> LoadPreview:
    empty = pl.DataFrame({"case": ["abc"]})
    return LoadPreview(
        loads=loads,  # type: ignore[arg-type]
        n_cases=1,
        turned_away=turned_away,
        remarks=(),
        cases=empty,
        measures=empty,
    )


def test_files_that_are_loaded_already_are_said_to_be(page: AppTest, monkeypatch: pytest.MonkeyPatch) -> None:
    def again(delivered: Delivered, _place: object) -> Rehearsal:
        return Rehearsal(delivered.fingerprint, Told(is_well=True, printed="", said=""), previewed())

    monkeypatch.setattr(bringing, "rehearse", again)
    hand_over(page, GOOD)
    pressed(page, TRY_OUT)
    assert "Nothing would change: the same files are already in the warehouse." in everything_said(page)
    (load,) = (one for one in page.button if one.label == LOAD)
    assert load.disabled


def test_what_was_tried_out_is_not_loaded_with_anything_else(page: AppTest, monkeypatch: pytest.MonkeyPatch) -> None:
    def well(delivered: Delivered, _place: object) -> Rehearsal:
        return Rehearsal(delivered.fingerprint, Told(is_well=True, printed="", said=""), previewed())

    monkeypatch.setattr(bringing, "rehearse", well)
    hand_over(page, GOOD)
    pressed(page, TRY_OUT)
    assert "4. Load" in headers(page)
    page.text_input[0].set_value("QUARRY").run()
    assert "4. Load" not in headers(page)
    assert "Nothing has been tried out yet" in everything_said(page)
