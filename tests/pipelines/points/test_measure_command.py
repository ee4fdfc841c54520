"""``menton measure`` and ``menton draw``: measures and drawings for people, nothing stored by the first."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from pptx import Presentation

from pipelines.cli import main
from tests.conftest import Study
from tests.pipelines.points.points_made import G1, REFERENCE, rows_of
from warehouse.cases.case_page import one_case
from warehouse.marts.reader import Reader
from warehouse.selection import Selection


@pytest.fixture
def points(tmp_path: Path) -> Path:
    rows = [*rows_of("17", "start", G1), *rows_of("17", "finish", {**G1, "Ar": (None, 1.0)})]  # type: ignore[dict-item]
    path = tmp_path / "points.csv"
    pl.DataFrame(rows).write_csv(path)
    return path


def listed(capsys: pytest.CaptureFixture[str], *words: str) -> list[dict[str, Any]]:
    assert main(["measure", *words, "--json"]) == 0

    def refused(name: str) -> None:
        pytest.fail(f"{name} is no JSON")

    found: list[dict[str, Any]] = json.loads(capsys.readouterr().out, parse_constant=refused)["values"]
    return found


def test_every_measure_of_the_reference_face_is_listed(points: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rows = [row for row in listed(capsys, str(points)) if row["timepoint"] == "start"]
    assert {"case_id", "timepoint", "measure", "value", "unit", "variant", "reason"} <= set(rows[0])
    assert {row["case_id"] for row in rows} == {"17"}
    expected = REFERENCE["face_g1"]["values"]
    found = {row["measure"]: row["value"] for row in rows}
    assert {code: found[code] for code in expected} == pytest.approx(expected, abs=5e-4)


def test_a_value_is_null_exactly_where_a_reason_says_why(points: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rows = listed(capsys, str(points))
    assert all((row["value"] is None) == (row["reason"] is not None) for row in rows)
    found = {row["measure"]: row["reason"] for row in rows if row["timepoint"] == "finish"}
    assert found["gonial_deg"] == "not measurable: Ar missing"
    assert found["sn_gogn_deg"] is None


def test_what_could_not_be_used_is_told_apart_from_the_answer(points: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["measure", str(points)]) == 0
    told = capsys.readouterr()
    assert "1 of 42 points could not be used" in told.err
    assert "31.95" in told.out
    assert "Nothing was stored" in told.out


def test_visits_beside_the_points_give_size_and_kinds(
    points: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    visits = tmp_path / "visits.csv"
    visits.write_text(
        "case_id,timepoint,magnification_pct,gonion_kind\n17,start,8,constructed\n17,finish,12,constructed\n"
    )
    rows = listed(capsys, str(points), str(visits))
    found = {row["measure"]: row for row in rows if row["timepoint"] == "start"}
    assert found["lafh_mm"]["value"] == pytest.approx(66.483 / 1.08, abs=5e-4)
    assert found["lafh_mm"]["variant"] == "true size"
    assert found["lafh_mm"]["caution"].startswith("enlargement differs between times (8 % and 12 %)")
    assert found["sn_gogn_deg"]["variant"] == "gonion constructed"


def test_identifying_columns_are_refused_as_at_ingest(points: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pl.read_csv(points).with_columns(patient_name=pl.lit("A B")).write_csv(points)
    assert main(["measure", str(points)]) == 1
    assert "identifying" in capsys.readouterr().err


def test_files_without_points_are_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "visits.csv"
    path.write_text("case_id,timepoint,magnification_pct\n17,start,8\n")
    assert main(["measure", str(path)]) == 1
    assert "no file holds points" in capsys.readouterr().err
    path.write_text("case_id,timepoint,measure,value\n17,start,sna_deg,81\n")
    assert main(["measure", str(path)]) == 1
    assert "neither points nor visits" in capsys.readouterr().err


def test_a_case_of_the_file_is_drawn(points: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "case.svg"
    assert main(["measure", str(points), "--drawing", str(out), "--case", "17", "--measure", "mmpa_deg"]) == 0
    svg = out.read_text(encoding="utf-8")
    assert svg.startswith("<svg ")
    assert "29.7°" in svg
    assert "17" not in svg.split("<title")[1].split("</title>")[0]
    assert main(["measure", str(points), "--drawing", str(out), "--case", "18"]) == 1
    assert main(["measure", str(points), "--drawing", str(out)]) == 1
    told = capsys.readouterr().err
    assert "no points of this case" in told
    assert "--drawing FILE.svg and --case ID" in told


def traced_number(study: Study) -> str:
    points = pl.read_csv(study.exports / "MILLRACE" / "landmarks.csv")
    both = points.group_by("case_id").agg(pl.col("timepoint").unique())
    return str(both.filter(pl.col("timepoint").list.contains("finish"))["case_id"].sort()[0])


def test_a_case_of_the_warehouse_is_drawn_by_number_or_key(
    study: Study, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    where = ["--warehouse", str(study.warehouse)]
    one, other = tmp_path / "a.svg", tmp_path / "b.svg"
    number = traced_number(study)
    assert main(["draw", *where, "--number", number, "--practice", "MILLRACE", "--out", str(one)]) == 0
    key = one.read_text(encoding="utf-8").split("Case ")[1][:8]
    assert main(["draw", *where, "--case", key, "--out", str(other)]) == 0
    assert one.read_text(encoding="utf-8") == other.read_text(encoding="utf-8")
    assert number not in one.read_text(encoding="utf-8")
    assert "superimposed" in one.read_text(encoding="utf-8").lower()
    assert "expected from ordinary growth alone" in one.read_text(encoding="utf-8")
    capsys.readouterr()
    with Reader.open(study.warehouse) as reader:  # the page shows that very drawing
        (row,) = reader.connection.rows("select case_key from mart_cases where starts_with(case_key, ?)", [key])
        shown = one_case(reader, selection=Selection(), case=row[0], measure="sn_gogn_deg")
    assert f"{shown.drawing}\n" == one.read_text(encoding="utf-8")
    page = tmp_path / "report.html"  # and so does the report, with the agreement of whom it shows, never to leave
    asked = ["report", *where, "--out", str(page), "--by", "extraction", "--case", row[0]]
    assert main(asked) == 1
    assert "not said that the person agreed" in capsys.readouterr().err
    assert main([*asked, "--agreed", "--for", "outside"]) == 1
    assert "does not go into a file that is made to leave" in capsys.readouterr().err
    assert main([*asked[:-1], "f" * 24, "--agreed"]) == 1
    assert "no single case" in capsys.readouterr().err
    assert not page.exists()
    assert main([*asked, "--agreed"]) == 0
    written, drawn = page.read_text(encoding="utf-8"), shown.drawing.splitlines()[1:]
    assert "\n".join(drawn) in written
    assert main([*asked[:-1], untraced_key(study), "--agreed"]) == 0
    assert "so there is nothing to draw" in page.read_text(encoding="utf-8")
    slides = tmp_path / "slides.pptx"  # shown to a room: no single case
    assert main([*asked[:4], str(slides), *asked[5:], "--agreed", "--for", "practice"]) == 0
    texts = [shape.text for slide in Presentation(str(slides)).slides for shape in slide.shapes if shape.has_text_frame]
    assert not [text for text in texts if row[0][:8] in text]


def test_where_a_measure_of_ones_own_could_be_had_is_counted_from_the_points(
    study: Study, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["measures", "--example"]) == 0
    own = tmp_path / "own.toml"
    own.write_text(capsys.readouterr().out.replace("# formula", "formula"), encoding="utf-8")
    copy = shutil.copytree(study.warehouse, tmp_path / "cases")
    assert main(["measures", "--warehouse", str(copy), "--try", str(own)]) == 0
    points = pl.read_csv(study.exports / "MILLRACE" / "landmarks.csv", infer_schema_length=None)
    wanted = points.filter(pl.col("landmark").is_in(["S", "Ar"]), pl.col("timepoint").is_in(["start", "finish"]))
    whole = wanted.group_by("case_id", "timepoint", "view", "examiner", "repeat_no").agg(pl.col("landmark").n_unique())
    both = whole.filter(pl.col("landmark") == 2).group_by("case_id").agg(pl.col("timepoint").n_unique())
    expected = both.filter(pl.col("timepoint") == 2).height
    assert expected > 20
    said = capsys.readouterr().out
    assert f"at the start and at the finish of {expected} cases" in " ".join(said.split())
    assert "the record of looks counts it" in " ".join(said.split())


def untraced_key(study: Study) -> str:
    with Reader.open(study.warehouse) as reader:
        rows = reader.connection.rows("select case_key from mart_cases where practice = 'HARBOUR' limit 1")
    return str(rows[0][0])


def test_what_cannot_be_drawn_from_the_warehouse_is_said(
    study: Study, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    where = ["--warehouse", str(study.warehouse), "--out", str(tmp_path / "a.svg")]
    with Reader.open(study.warehouse) as reader:
        (untraced,) = reader.connection.rows("select case_key from mart_cases where practice = 'HARBOUR' limit 1")
    for words, expected in (
        (["--case", "abc"], "too short"),
        (["--case", "zzzzzzzz"], "no case has this key"),
        (["--case", untraced[0]], "no points at start or finish"),
        (["--number", "MIL-1"], "several practices"),
        (["--number", "MIL-1", "--practice", "MILLRACE", "--key-file", str(tmp_path / "none")], "no key file"),
    ):
        assert main(["draw", *where, *words]) == 1
        assert expected in capsys.readouterr().err


def test_flat_and_nested_json_hold_the_same_points(
    points: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    flat, nested = tmp_path / "flat.json", tmp_path / "nested.json"
    flat.write_text(json.dumps(rows_of("17", "start", G1)), encoding="utf-8")
    said = {"case_id": "17", "timepoint": "start", "view": "lateral_radiograph", "unit": "mm"}
    tracing = {**said, "y_axis": "up", "faces": "right", "points": {code: list(xy) for code, xy in G1.items()}}
    nested.write_text(json.dumps([tracing]), encoding="utf-8")
    expected = [row for row in listed(capsys, str(points)) if row["timepoint"] == "start"]
    assert listed(capsys, str(flat)) == listed(capsys, str(nested)) == expected


@pytest.mark.parametrize(
    ("tracing", "expected"),
    [
        ({"points": {"S": [1, 2, 3]}}, "a point is not made of two coordinates"),
        ({"points": {"S": [1, [2]]}}, "a point is not made of two coordinates"),
        ({"points": {}, "x": 3}, "points and 'x' beside them"),
        ({"points": {"S": None}}, "no tracing of the file has a point"),
    ],
)
def test_odd_tracings_are_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], tracing: dict[str, Any], expected: str
) -> None:
    path = tmp_path / "odd.json"
    path.write_text(json.dumps([{"case_id": "1", **tracing}]), encoding="utf-8")
    assert main(["measure", str(path)]) == 1
    assert expected in capsys.readouterr().err
