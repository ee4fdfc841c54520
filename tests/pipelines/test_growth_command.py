"""``menton growth``: real children from outside through the common door, a fit, an imported table, a choice."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipelines.cli import main
from pipelines.ingest.ingest import Request, ingest
from warehouse.marts.reader import Reader

REFERENCE = Path(__file__).parents[1] / "reference" / "statistics-check-values.json"
MEASURE = """\
[[measure]]
code = "pituitary_fissure_mm"
label = "Pituitary to pterygomaxillary fissure"
definition = "Distance from the centre of the pituitary to the pterygomaxillary fissure."
unit = "mm"
plausible = [10.0, 45.0]
usual = [15.0, 35.0]
up_means = "longer middle face"
sign = 0
source = "Potthoff and Roy 1964"
"""
MAPPING = """\
[file]
layout = "wide"
practice = "SERIES"

[columns]
"child" = "case_id"
"sex" = "sex"
"d8" = "pituitary_fissure_mm_start"
"d10" = "pituitary_fissure_mm_progress"
"d12" = "pituitary_fissure_mm_finish"
"d14" = "pituitary_fissure_mm_follow_up"

[constants]
age_at_start = 8.0
months_from_start_progress = 24
months_from_start_finish = 48
months_from_start_follow_up = 72
selection = "consecutive"
status = "finished"
comparison = "untreated"
"""
TABLE = "measure,sex,age,mean,sd\n" + "".join(
    f"pituitary_fissure_mm,{sex},{age},{mean},{sd}\n"
    for sex, rows in (("male", ((8, 22.9, 2.5), (14, 27.5, 2.1))), ("female", ((8, 21.2, 2.1), (14, 24.1, 2.4))))
    for age, mean, sd in rows
)


@pytest.fixture(scope="module")
def published() -> dict[str, Any]:
    listed = json.loads(REFERENCE.read_text(encoding="utf-8"))
    return next(case for case in listed if case["item"] == 13 and "Potthoff" in case["name"])


@pytest.fixture(scope="module")
def warehouse(tmp_path_factory: pytest.TempPathFactory, published: dict[str, Any]) -> Path:
    """The 27 children of Potthoff & Roy 1964, handed over as one row a child with headings of their own."""
    folder = tmp_path_factory.mktemp("series")
    rows = [
        {"child": name, "sex": child["sex"], **dict(zip(("d8", "d10", "d12", "d14"), child["d"], strict=True))}
        for name, child in published["data"]["subjects"].items()
    ]
    pl.DataFrame(rows).write_csv(folder / "series.csv")
    (folder / "measure.toml").write_text(MEASURE, encoding="utf-8")
    (folder / "series.mapping.toml").write_text(MAPPING, encoding="utf-8")
    assert main(["measures", "--warehouse", str(folder / "w"), "--add", str(folder / "measure.toml")]) == 0
    outcome = ingest(
        Request(paths=(folder / "series.csv",), warehouse=folder / "w", mapping=folder / "series.mapping.toml")
    )
    assert [(one.n_read, one.n_loaded, one.n_turned_away) for one in outcome.loaded] == [(27, 27, 0)]
    return folder / "w"


def references(warehouse: Path, capsys: pytest.CaptureFixture[str], *words: str) -> dict[str, Any]:
    capsys.readouterr()
    assert main(["growth", "--warehouse", str(warehouse), "--json", *words]) == 0
    found: list[dict[str, Any]] = json.loads(capsys.readouterr().out)["growth_references"]
    return {one["id"]: one for one in found}


@pytest.fixture(scope="module")
def fitted(warehouse: Path) -> Path:
    assert main(["growth", "--warehouse", str(warehouse), "--fit", "--use", "R2"]) == 0
    return warehouse


def test_what_is_shipped_is_listed_with_its_provenance(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = references(tmp_path / "none", capsys)
    assert set(found) == {"R1"}
    assert found["R1"]["in_use"] is True
    assert "from memory" in found["R1"]["provenance"]


def test_the_fit_on_real_children_reproduces_the_published_one(
    fitted: Path, published: dict[str, Any], capsys: pytest.CaptureFixture[str]
) -> None:
    # distance ~ age, random intercept and slope, REML: Pinheiro & Bates 2000 (B_REML)
    found = references(fitted, capsys)["R2"]
    assert found["in_use"] is True
    assert "27 untreated comparison cases" in found["provenance"]
    curves = {curve["sex"]: curve for curve in found["curves"]}
    printed = published["expected"]["B_REML"]
    slope = (curves["any"]["means"][1] - curves["any"]["means"][0]) / 6.0
    assert slope == pytest.approx(printed["fixed"][1], abs=5e-7)
    assert curves["any"]["means"][0] - 8.0 * slope == pytest.approx(printed["fixed"][0], abs=5e-6)
    assert curves["any"]["slope_sd"] == pytest.approx(printed["sd"][1], abs=5e-6)
    assert curves["any"]["slope_se"] == pytest.approx(printed["se"][1], abs=5e-7)
    assert curves["any"]["ages"] == [8.0, 14.0]


def test_the_chosen_reference_is_published_with_its_spread(fitted: Path) -> None:
    with Reader.open(fitted) as reader:
        assert reader.growth_reference.startswith("R2 v")
        rows = reader.connection.rows(
            "select distinct sex, pituitary_fissure_mm__expected, pituitary_fissure_mm__expected_sd from mart_spans"
            " where span = 'start_to_finish'"
        )
        curves = {
            sex: (slope_sd, slope_se)
            for sex, slope_sd, slope_se in reader.connection.rows("select sex, slope_sd, slope_se from mart_growth")
        }
    expected = {sex: (mean, sd) for sex, mean, sd in rows}
    assert expected["male"][0] == pytest.approx(4 * 0.784375, abs=1e-6)
    assert expected["female"][0] == pytest.approx(4 * 0.479545, abs=1e-5)
    for sex in ("male", "female"):
        slope_sd, slope_se = curves[sex]
        assert expected[sex][1] == pytest.approx(4 * (slope_sd**2 + slope_se**2) ** 0.5)


def test_a_new_fit_is_a_new_version(fitted: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = references(fitted, capsys)["R2"]["version"]
    after = references(fitted, capsys, "--fit")["R2"]["version"]
    assert int(after.split(".")[0]) == int(before.split(".")[0]) + 1


def test_a_table_is_imported_and_chosen(warehouse: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "table.csv").write_text(TABLE, encoding="utf-8")
    words = ("--import", str(tmp_path / "table.csv"), "--source", "means of the series", "--use", "R3")
    found = references(warehouse, capsys, *words)["R3"]
    assert found["in_use"] is True
    assert found["provenance"] == "imported table; means of the series"
    with Reader.open(warehouse) as reader:
        rows = reader.connection.rows(
            "select distinct sex, pituitary_fissure_mm__expected, pituitary_fissure_mm__expected_sd from mart_spans"
            " where span = 'start_to_finish'"
        )
    found_by_sex = {sex: (mean, sd) for sex, mean, sd in rows}
    assert found_by_sex["female"][0] == pytest.approx((24.1 - 21.2) * 4 / 6)
    assert found_by_sex["male"][0] == pytest.approx((27.5 - 22.9) * 4 / 6)
    assert found_by_sex["male"][1] is None


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (["--use", "R9"], "there is no growth reference 'R9'"),
        (["--import", "table.csv"], "it is not said where the table comes from"),
        (["--import", "table.csv", "--source", "x", "--id", "R1"], "cannot be the id of an imported table"),
    ],
)
def test_what_cannot_be_done_is_said(
    warehouse: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], words: list[str], expected: str,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    monkeypatch.chdir(tmp_path)
    Path("table.csv").write_text(TABLE, encoding="utf-8")
    assert main(["growth", "--warehouse", str(warehouse), *words]) == 1
    assert expected in capsys.readouterr().err


def test_without_untreated_cases_there_is_nothing_to_fit(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from tests.hand_made import load_rows, made_case

    load_rows(tmp_path / "w", [made_case("a", sn_gogn_deg_start=32.0, sn_gogn_deg_finish=34.0)])
    assert main(["growth", "--warehouse", str(tmp_path / "w"), "--fit"]) == 1
    told = capsys.readouterr().err
    assert "no measure could be fitted" in told
    assert "no child was seen at two ages or more; 10 are needed" in told


def test_the_printed_example_is_a_table_that_can_be_imported(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["growth", "--example"]) == 0
    (tmp_path / "table.toml").write_text(capsys.readouterr().out, encoding="utf-8")
    found = references(tmp_path / "w", capsys, "--import", str(tmp_path / "table.toml"))
    (curve,) = found["R3"]["curves"]
    assert (curve["ages"], curve["means"], curve["sds"], curve["slope_sd"]) == (
        [8.0, 12.0], [58.0, 62.0], [3.5, 3.9], 0.4,
    )  # fmt: skip
    assert found["R1"]["in_use"] is True
