"""Bringing in a file from the page: draft, rehearsal on a copy, load; nothing of it stays behind."""

from __future__ import annotations

import json
import tempfile
from pathlib import Path

import pytest

from dashboard.access.working import OpenWarehouse
from dashboard.parts import upload as bringing
from dashboard.parts.upload import Delivered, Told, UploadedFile, bring_in, draft, rehearse
from tests.hand_made import load_rows, made_case
from warehouse.marts.reader import Reader
from warehouse.questions.shares import rates

HEADINGS = (
    "case_id,sex,age_at_start,start_quarter,selection,status,comparison,phase_1_appliance_category,sn_gogn_deg_start"
)
GOOD = "A1,female,11.2,2021-Q1,consecutive,in_treatment,treated,fixed_labial,31.5"
BAD = "A2,female,11.2,2021-Q1,consecutive,in_treatment,treated,fixed_labial,315"


@pytest.fixture(autouse=True)
def workplace(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Where temporary folders are made, so that a test can see what is left in it."""
    room = tmp_path / "room"
    room.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(room))
    return room


def handed(*rows: str, headings: str = HEADINGS) -> UploadedFile:
    return UploadedFile("cases.csv", "\n".join([headings, *rows, ""]).encode())


def delivered(*rows: str, headings: str = HEADINGS) -> Delivered:
    return Delivered(files=(handed(*rows, headings=headings),), mapping=None, practice="HARBOUR")


@pytest.fixture
def place(tmp_path: Path) -> OpenWarehouse:
    return OpenWarehouse(folder=tmp_path / "cases")


def test_a_mapping_is_drafted_and_what_is_left_is_said(place: OpenWarehouse, workplace: Path) -> None:
    told = draft([UploadedFile("../../mine.csv", b"Patient no.;SN-GoGn T1\n1;31,5\n2;33,0\n")], place, None)
    assert told.is_well
    proposed = json.loads(told.printed)
    assert [one["names"] for one in proposed["columns"]] == [["case_id"], ["sn_gogn_deg_start"]]
    assert proposed["columns"][1]["values"] == ["31,5", "33,0"]
    assert any("sex" in one for one in proposed["left"])
    assert list(workplace.iterdir()) == []


def test_an_unusable_file_is_refused_in_the_words_of_the_command(place: OpenWarehouse, workplace: Path) -> None:
    rehearsal = rehearse(delivered("Anna", headings="patient_name"), place)
    assert rehearsal.preview is None
    assert not rehearsal.told.is_well
    assert "what to do" in rehearsal.told.said
    assert not place.folder.exists(), "a refused rehearsal makes no warehouse"
    assert list(workplace.iterdir()) == []


@pytest.mark.usefixtures("commands_here")
def test_a_rehearsal_tells_what_would_be_kept_and_the_load_does_just_that(
    place: OpenWarehouse, workplace: Path
) -> None:
    load_rows(place.folder, [made_case("earlier", sn_gogn_deg_start=32.0, sn_gogn_deg_finish=33.0)])
    asked = delivered(GOOD, BAD)
    rehearsal = rehearse(asked, place)
    assert rehearsal.preview is not None, rehearsal.told.said
    assert rehearsal.fingerprint == asked.fingerprint
    assert [(one.n_read, one.n_loaded, one.n_turned_away) for one in rehearsal.preview.loads] == [(2, 1, 1)]
    assert [one.n_rows for one in rehearsal.preview.turned_away] == [1]
    assert rehearsal.preview.turned_away[0].reason, "the rule is told in words"
    assert rehearsal.preview.cases["sex"].to_list() == ["female"]
    assert "A1" not in rehearsal.preview.cases["case"].to_list()
    with Reader.open(place.folder) as reader:
        assert rates(reader).groups[0].started.n == 1, "the rehearsal changed nothing"
    told = bring_in(asked, place)
    assert told.is_well, told.said
    with Reader.open(place.folder) as reader:
        assert rates(reader).groups[0].started.n == 2
    assert list(workplace.iterdir()) == []


@pytest.mark.usefixtures("commands_here")
def test_two_files_of_one_name_are_both_loaded(place: OpenWarehouse) -> None:
    files = (handed(GOOD), handed(GOOD.replace("A1", "A2")))
    told = bring_in(Delivered(files=files, mapping=None, practice="HARBOUR"), place)
    assert told.is_well, told.said
    assert told.printed.count("1 row read = 1 loaded") == 2
    with Reader.open(place.folder) as reader:
        assert rates(reader).groups[0].started.n == 2


def test_a_file_is_called_by_its_name_on_the_page_of_who_handed_it_over(place: OpenWarehouse) -> None:
    file = UploadedFile("Quillfeather.xlsx", b"no workbook\n")
    told = bring_in(Delivered(files=(file,), mapping=None, practice="HARBOUR"), place)
    assert not told.is_well
    assert "where: Quillfeather.xlsx" in told.said
    assert "no readable workbook file" in told.said


@pytest.mark.usefixtures("commands_here")
def test_a_rehearsal_of_which_no_row_is_taken_in_is_an_answer(place: OpenWarehouse) -> None:
    rehearsal = rehearse(delivered(BAD), place)
    assert rehearsal.preview is not None, rehearsal.told.said
    assert rehearsal.preview.turned_away[0].n_rows == 1


def test_a_load_of_which_no_row_is_taken_in_is_an_answer(place: OpenWarehouse) -> None:
    told = bring_in(delivered(BAD), place)
    assert told.is_well
    assert "1 row read = 0 loaded + 1 turned away" in told.printed


def test_another_mapping_is_another_delivery() -> None:
    one = delivered(GOOD)
    assert one.fingerprint == delivered(GOOD).fingerprint
    assert one.fingerprint != delivered(BAD).fingerprint
    assert one.fingerprint != Delivered(files=one.files, mapping="", practice="HARBOUR").fingerprint
    assert one.fingerprint != Delivered(files=one.files, mapping=None, practice="QUARRY").fingerprint


def test_key_files_are_named_to_the_command_and_never_their_contents(
    place: OpenWarehouse, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[list[str]] = []

    def noted(words: list[str], room: Path) -> Told:
        asked.append(words)
        return Told(is_well=True, printed="", said="")

    monkeypatch.setattr(bringing, "_run", noted)
    key = tmp_path / "secret.key"
    key.write_text("not to be seen on any command line", encoding="utf-8")
    key.chmod(0o600)
    bring_in(delivered(GOOD), OpenWarehouse(folder=place.folder, encryption_key_file=key, case_key_file=key))
    (words,) = asked
    assert words[words.index("--encryption-key-file") + 1] == words[words.index("--key-file") + 1] == str(key)
    assert not any("not to be seen" in word for word in words)
