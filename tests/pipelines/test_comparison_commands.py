"""The commands that compare: what a person reads, what a program reads, what is refused."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from pipelines.cli import main
from tests.hand_made import load_rows
from tests.warehouse.questions.cohort import cohort_rows
from tests.warehouse.questions.planning import PLAN

PAIR = ("--a", "expander_tooth_borne", "--b", "fixed_labial")
READ = {
    "compare": (),
    "compare by age": ("--by", "age_band"),
    "compare crossed": ("--by", "extraction", "--by2", "vertical_type"),
    "compare pair": PAIR,
    "compare pair crude": (*PAIR, "--adjust", "none", "--strata", "none", "--primary", "crude"),
    "compare outcomes": (*PAIR, "--outcomes", "--adjust", "sex"),
    "changes": ("--by", "extraction"),
    "changes by appliance": ("--measure", "par_uk_points"),
    "changes course": ("--course", "--by", "extraction", "--adjust", "none"),
    "corners": ("--by", "extraction"),
    "missing": ("--by", "appliance_category"),
    "missing pair": (*PAIR, "--adjust", "sex"),
    "characteristics": ("--by", "extraction"),
    "sample-size": ("--precision", "0.05"),
    "sample-size pair": PAIR,
    "strobe": (),
    "plan": (),
}
"""What to run: the command, a word to tell the rows apart, and the options."""


@pytest.fixture(scope="module")
def warehouse(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("commands") / "warehouse"
    load_rows(folder, cohort_rows(120))
    return folder


def words(name: str, warehouse: Path, *more: str) -> list[str]:
    command = name.split()[0]
    return [command, "--warehouse", str(warehouse), *READ[name], *more]


@pytest.mark.parametrize("name", READ)
def test_every_command_is_readable(name: str, warehouse: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(words(name, warehouse)) == 0
    out = capsys.readouterr().out
    assert len(out.splitlines()) > 1
    for jargon in ("None", "nan", "Interval(", "np.float"):
        assert jargon not in out


@pytest.mark.parametrize("name", READ)
def test_every_command_gives_json(name: str, warehouse: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(words(name, warehouse, "--json")) == 0
    data: dict[str, Any] = json.loads(capsys.readouterr().out)
    assert data


def test_a_pair_says_answer_adjustment_and_standing(warehouse: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(words("compare pair", warehouse, "--workings"))
    out = " ".join(capsys.readouterr().out.split())
    for said in (
        "In these cases,", "percentage points in the share adverse", "adjusted for age at start",
        "Not recorded at all:", "Not planned in advance:", "different comparison", "an association is not a cause",
    ):  # fmt: skip
        assert said in out


def test_json_carries_the_sentences_and_nothing_rounded(warehouse: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(words("compare pair", warehouse, "--json"))
    data = json.loads(capsys.readouterr().out)
    crude = data["methods"][0]
    assert crude["method"] == "crude"
    x, n = crude["first"]["value"] * crude["first"]["n"], crude["first"]["n"]
    assert x == pytest.approx(round(x))
    assert f"{round(x)} of {n}" in data["sentences"][2]
    assert data["standing"]["kind"] == "explored after"


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("compare", "--a", "facemask"), "one of --a and --b is missing"),
        (("compare", "--adjust", "sex"), "without two groups"),
        (("compare", *PAIR, "--by2", "sex"), "do not go with"),
        (("compare", "--plan", "P1", "--by", "sex"), "a plan says what is compared and how; --by cannot be given"),
        (("compare", "--plan", "P7"), "there is no audit plan"),
        (("compare", *PAIR, "--primary", "overlaps"), "did you mean overlap"),
        (("compare", *PAIR, "--adjust", "ages_at_start"), "did you mean age_at_start"),
        (("compare", "--by", "extractions"), "did you mean extraction"),
        (("compare", "--level", "95"), "between 0 and 1"),
        (("compare", "--only", "sexx=female"), "did you mean sex"),
        (("changes", "--measure", "sn_gogn_degs"), "did you mean sn_gogn_deg"),
        (("missing", "--value", "10"), "a share between 0 and 1"),
        (("missing", "--a", "facemask"), "one of --a and --b is missing"),
        (("sample-size", "--precision", "0"), "above 0"),
        (("sample-size", "--a", "facemask"), "one of --a and --b is missing"),
        (("characteristics", "--out", "table.doc"), ".xlsx"),
        (("characteristics", "--by", "appliance_ever"), "several groups"),
        (("plan", "--add", "nowhere.toml"), "cannot be read"),
        (("strobe", "--out", "no/such/folder/x.md"), "cannot be written"),
    ],
)
def test_a_wrong_request_is_refused_in_words(
    options: tuple[str, ...], said: str, warehouse: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([options[0], "--warehouse", str(warehouse), *options[1:]]) == 1
    assert said in capsys.readouterr().err


def test_a_plan_is_added_listed_and_carried_out(
    warehouse: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "plan.toml"
    file.write_text(PLAN.replace("P1", "P3").replace('"D1"', '"D4"').replace('"D2"', '"D3"'))
    assert main(["plan", "--warehouse", str(warehouse), "--add", str(file)]) == 0
    listed = capsys.readouterr().out
    assert "Plan P3 is on record" in listed
    assert "Do faces lengthen more often with an expander?" in listed
    assert main(["compare", "--warehouse", str(warehouse), "--plan", "P3"]) == 0
    out = capsys.readouterr().out
    assert "every comparison the plan lists" in out
    assert "Planned" in out or "looked at" in out


def test_the_example_of_a_plan_can_be_added(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["plan", "--example"]) == 0
    assert 'id = "P1"' in capsys.readouterr().out


def test_the_table_is_written_for_a_spreadsheet(
    warehouse: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "table.xlsx"
    assert main(words("characteristics", warehouse, "--out", str(path))) == 0
    sheet = openpyxl.load_workbook(path).active
    assert sheet is not None
    heads = [cell.value for cell in sheet[1]]
    assert heads[0] == "characteristic"
    assert heads[-1] == "SMD"
    assert "written to" in capsys.readouterr().out


def test_the_checklist_is_written_as_text(warehouse: Path, tmp_path: Path) -> None:
    path = tmp_path / "strobe.md"
    assert main(words("strobe", warehouse, "--out", str(path))) == 0
    assert path.read_text(encoding="utf-8").startswith("# STROBE checklist")
