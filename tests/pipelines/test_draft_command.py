"""``menton draft-mapping``, from a file of a practice to a mapping that loads."""

from __future__ import annotations

import argparse
import tomllib
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from pipelines.cli import main
from pipelines.commands import draft_mapping
from warehouse.errors import RequestError

CSV = """Lantern Bay;;;;
Pat.-Nr.;Geschl.;Vorname;ANB Anf.;Bemerkung
1001;w;Anna;4,5;ab 12.03.2010
1002;m;Bert;3,5;
"""


@pytest.fixture
def practice_file(tmp_path: Path) -> Any:
    path = tmp_path / "cases.csv"
    path.write_bytes(CSV.encode("cp1252"))
    return path


def test_the_draft_is_printed_and_what_is_left_is_said(practice_file: Any, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["draft-mapping", str(practice_file)]) == 0
    out, told = capsys.readouterr()
    assert tomllib.loads(out)["columns"] == {"Pat.-Nr.": "case_id", "Geschl.": "sex", "ANB Anf.": "anb_deg_start"}
    assert tomllib.loads(out)["ignored"] == {"Vorname": "a personal name", "Bemerkung": "free text"}
    assert "left to do:" in told
    assert "selection, status, comparison" in told
    assert "Anna" not in out + told


def test_the_draft_is_written_and_not_overwritten_by_accident(
    practice_file: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "draft.toml"
    assert main(["draft-mapping", str(practice_file), "--out", str(out)]) == 0
    assert tomllib.loads(out.read_text(encoding="utf-8"))["columns"]["Geschl."] == "sex"
    assert "wrote draft.toml" in capsys.readouterr().err
    assert main(["draft-mapping", str(practice_file), "--out", str(out)]) == 1
    assert "already there" in capsys.readouterr().err
    assert main(["draft-mapping", str(practice_file), "--out", str(out), "--overwrite"]) == 0


def test_refusal_to_overwrite_comes_before_anything_is_read(tmp_path: Path) -> None:
    (tmp_path / "draft.toml").write_text("mine")
    args = argparse.Namespace(file=tmp_path / "none.csv", out=tmp_path / "draft.toml", overwrite=False)
    with pytest.raises(RequestError):
        draft_mapping.run(args)
    assert (tmp_path / "draft.toml").read_text() == "mine"


def test_of_a_workbook_the_widest_sheet_is_drafted(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "Legend"
    for row in (["code", "meaning"], ["1", "x"], ["2", "y"]):
        sheet.append(row)
    cases = book.create_sheet("Cases")
    for row in (["Case", "Sex", "ANB T1"], ["1", "m", 4.5], ["2", "f", 3.5]):
        cases.append(row)
    book.save(tmp_path / "practice.xlsx")
    assert main(["draft-mapping", str(tmp_path / "practice.xlsx")]) == 0
    out, told = capsys.readouterr()
    assert tomllib.loads(out)["columns"]["ANB T1"] == "anb_deg_start"
    assert "2 sheets; this draft is for Cases" in told
    assert main(["draft-mapping", str(tmp_path / "practice.xlsx"), "--sheet", "Legend"]) == 0
    assert "columns" in tomllib.loads(capsys.readouterr().out)


def test_own_measures_are_proposed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "own.toml").write_text(
        '[[measure]]\ncode = "tongue_space_mm"\nlabel = "Tongue space"\ndefinition = "Tongue to palate."\nunit = "mm"\n'
        'plausible = [0, 40]\nusual = [2, 25]\nup_means = "lower tongue"\nsign = 0\nsource = "practice protocol"\n',
        encoding="utf-8",
    )
    (tmp_path / "f.csv").write_text("Case,Sex,Tongue space T1\n1,m,12\n2,f,13\n", encoding="utf-8")
    assert main(["draft-mapping", str(tmp_path / "f.csv"), "--own-measures", str(tmp_path / "own.toml")]) == 0
    assert tomllib.loads(capsys.readouterr().out)["columns"]["Tongue space T1"] == "tongue_space_mm_start"


def test_nothing_left_to_do_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rows = [
        "case_id,sex,selection,status,comparison",
        "1,male,selected,finished,treated",
        "2,female,selected,finished,treated",
    ]
    (tmp_path / "f.csv").write_text("\n".join(rows), encoding="utf-8")
    assert main(["draft-mapping", str(tmp_path / "f.csv")]) == 0
    assert "nothing is left to decide" in capsys.readouterr().err


def test_one_sheet_of_several_is_named_in_the_draft_and_read_alone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    book = openpyxl.Workbook()
    cases, legend = book.active, book.create_sheet("Legend")
    cases.title = "Cases"
    for row in (["No", "Sex", "Age", "Appliance"], ["1", "f", 11.5, "fixed"], ["2", "m", 12, "fixed"]):
        cases.append(row)
    for row in (["Word", "Meaning"], ["fixed", "with brackets"], ["plate", "without"]):
        legend.append(row)
    book.save(tmp_path / "cases.xlsx")
    out = tmp_path / "draft.toml"
    assert main(["draft-mapping", str(tmp_path / "cases.xlsx"), "--out", str(out)]) == 0
    assert "the file has 2 sheets; this draft is for Cases alone; --sheet drafts another" in capsys.readouterr().err
    text = out.read_text(encoding="utf-8")
    assert tomllib.loads(text)["file"]["sheet"] == "Cases"
    stated = 'selection = "consecutive"\nstatus = "in_treatment"\ncomparison = "treated"\n'
    out.write_text(text.replace("[constants]\n", f"[constants]\n{stated}"), encoding="utf-8")
    command = ["ingest", str(tmp_path / "cases.xlsx"), "--mapping", str(out), "--warehouse", str(tmp_path / "w")]
    assert main(command) == 0
    assert "2 rows read = 2 loaded" in capsys.readouterr().out
    assert main(["draft-mapping", str(tmp_path / "cases.xlsx"), "--sheet", "Legend"]) == 0
    assert 'sheet = "Legend"' in capsys.readouterr().out
    legend["A1"], legend["B1"], legend["C1"], legend["D1"] = "No", "Sex", "Age", "Appliance"
    book.save(tmp_path / "years.xlsx")
    assert main(["draft-mapping", str(tmp_path / "years.xlsx")]) == 0
    assert "sheet" not in tomllib.loads(capsys.readouterr().out)["file"], "sheets of one shape are read alike"


def test_a_draft_that_cannot_be_written_says_so(practice_file: Any, tmp_path: Path, capsys: Any) -> None:
    assert main(["draft-mapping", str(practice_file), "--out", str(tmp_path / "none" / "draft.toml")]) == 1
    said = capsys.readouterr().err
    assert "the draft cannot be written\n  where: draft.toml\n  expected: a folder that is there" in said
