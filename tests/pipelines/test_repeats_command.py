"""``menton repeats``: figures for people and machines, and a plan with the practice's own numbers."""

from __future__ import annotations

import json
from io import StringIO
from pathlib import Path

import polars as pl
import pytest

from pipelines.cli import main
from tests.conftest import Study
from tests.hand_made import load_rows, made_case


def test_the_error_of_each_practice_is_the_one_definitions_use(
    study: Study, capsys: pytest.CaptureFixture[str]
) -> None:
    from warehouse.marts.reader import Reader

    assert main(["repeats", "--warehouse", str(study.warehouse), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    with Reader.open(study.warehouse) as reader:
        kept = {
            (practice, measure): (n, sem)
            for practice, measure, n, sem in reader.connection.rows(
                "select practice, measure, n_pairs, sem from mart_method_errors"
            )
        }
    ours = {
        (one["practice"], one["measure"]): (one["n"], one["dahlberg"]["value"])
        for one in found["within_examiner"]
        if one["examiner"] == "all"
    }
    assert set(ours) == set(kept)
    for name, (n, error) in ours.items():
        assert n == kept[name][0]
        assert error == pytest.approx(kept[name][1], rel=1e-9)


def test_one_measure_is_told_in_full(study: Study, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["--practice", "HARBOUR", "--measure", "sn_gogn_deg"]
    assert main(["repeats", "--warehouse", str(study.warehouse), *words]) == 0
    told = capsys.readouterr().out
    for form in ("ICC(1,1)", "ICC(2,k)", "ICC(3,k)", "lower limit of agreement", "error free of bias"):
        assert form in told
    assert "Two examiners" in told


def test_a_plan_names_the_practice_s_own_cases_and_holds_no_value(
    study: Study, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "plan.csv"
    words = ["--plan", "6", "--seed", "7", "--practice", "MILLRACE", "--weeks", "3"]
    cases = str(study.exports / "MILLRACE" / "cases.csv")
    assert main(["repeats", "--warehouse", str(study.warehouse), *words, "--cases", cases, "--out", str(out)]) == 0
    plan = pl.read_csv(out)
    assert plan.columns == ["order", "practice", "case_key", "timepoint", "case_id"]
    assert plan["case_id"].str.starts_with("MIL-").all()
    told = capsys.readouterr().out
    assert "seed 7" in told
    assert "3 weeks or more" in told
    assert "At least 25 records are advised" in told


def test_without_a_file_the_list_alone_is_on_standard_output(study: Study, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["repeats", "--warehouse", str(study.warehouse), "--plan", "4", "--practice", "QUARRY"]) == 0
    told = capsys.readouterr()
    assert pl.read_csv(StringIO(told.out)).height == 4
    assert "seed" in told.err


def test_without_repeats_the_way_to_them_is_shown(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    load_rows(tmp_path / "w", [made_case("a", sna_deg_start=80.0)])
    assert main(["repeats", "--warehouse", str(tmp_path / "w")]) == 0
    assert "menton repeats --plan 25" in capsys.readouterr().out
