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
    assert set(found) == {"R1", "ATLAS"}
    assert found["R1"]["in_use"] is True
    assert "from memory" in found["R1"]["provenance"]
    assert found["ATLAS"]["used_for"] == ["lafh_mm", "tafh_mm", "pfh_mm", "lafh_direct_pct", "jarabak_pct"]
    assert {curve["evidence"] for curve in found["ATLAS"]["curves"]} == {"published"}


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
            for sex, slope_sd, slope_se in reader.connection.rows(
                "select sex, slope_sd, slope_se from mart_growth where measure = 'pituitary_fissure_mm'"
            )
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


def expected(warehouse: Path) -> dict[str, list[float | None]]:
    """Column of the expected change of each measure, case by case."""
    with Reader.open(warehouse) as reader:
        frame = reader.connection.frame("select * from mart_spans order by case_no, span")
    return {
        column: frame[column].to_list() for column in frame.columns if column.endswith(("__expected", "__expected_sd"))
    }


def test_an_imported_table_of_one_measure_leaves_every_other_figure_as_it_was(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from tests.hand_made import load_rows, made_case

    films = {"sn_gogn_deg": (32.0, 34.5), "lafh_mm": (60.0, 63.0), "tafh_mm": (105.0, 110.0), "snb_deg": (78.0, 79.0)}
    read = {
        f"{code}_{time}": one for code, two in films.items() for time, one in zip(("start", "finish"), two, strict=True)
    }
    rows = [
        made_case(f"{sex} {age}", sex=sex, age_at_start=age, **read) for sex in ("male", "female") for age in (7.0, 9.5)
    ]
    load_rows(tmp_path / "w", rows)
    before = expected(tmp_path / "w")
    rates = ["rate", "--warehouse", str(tmp_path / "w"), "--json"]
    capsys.readouterr()
    assert main(rates) == 0
    headline = json.loads(capsys.readouterr().out)
    (tmp_path / "table.csv").write_text(
        "measure,sex,age,mean\n" + "".join(f"lafh_mm,any,{age},{50 + 2 * age}\n" for age in (6, 16)), encoding="utf-8"
    )
    words = ("--import", str(tmp_path / "table.csv"), "--source", "a table of one measure", "--use", "R3")
    found = references(tmp_path / "w", capsys, *words)
    assert (found["R3"]["used_for"], found["R1"]["in_use"]) == (["lafh_mm"], True)
    after = expected(tmp_path / "w")
    assert after["lafh_mm__expected"] == pytest.approx([4.0] * len(rows)) != before["lafh_mm__expected"]
    lower = {"lafh_mm__expected", "lafh_mm__expected_sd"}
    assert {c: v for c, v in after.items() if c not in lower} == {c: v for c, v in before.items() if c not in lower}
    assert main(rates) == 0
    again = json.loads(capsys.readouterr().out)
    assert again["groups"] == headline["groups"]
    assert again["growth_reference"] == headline["growth_reference"]
    # the choice is taken back
    found = references(tmp_path / "w", capsys, "--use", "ATLAS", "--for", "lafh_mm")
    assert "lafh_mm" in found["ATLAS"]["used_for"]
    assert expected(tmp_path / "w") == before


def test_a_child_outside_the_ages_of_the_reference_is_a_loss_of_its_own(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from tests.hand_made import load_rows, made_case

    pair = {"sn_gogn_deg_start": 32.0, "sn_gogn_deg_finish": 34.5}
    load_rows(tmp_path / "w", [made_case(str(age), age_at_start=age, **pair) for age in (5.0, 9.0, 30.0)])
    (tmp_path / "t.csv").write_text(
        "measure,sex,age,mean\nsn_gogn_deg,any,8,33\nsn_gogn_deg,any,14,31\n", encoding="utf-8"
    )
    references(tmp_path / "w", capsys, "--import", str(tmp_path / "t.csv"), "--source", "made", "--use", "R3")
    assert main(["rate", "--warehouse", str(tmp_path / "w"), "--json"]) == 0
    (group,) = json.loads(capsys.readouterr().out)["groups"]
    assert (group["n_started"], group["n_assessable"], group["n_missing_due"]) == (3, 2, 0)
    assert main(["rate", "--warehouse", str(tmp_path / "w")]) == 0
    assert "No growth reference at this age: 1 case, in no share and not missing." in " ".join(
        capsys.readouterr().out.split()
    )


def test_the_enlargement_of_the_atlas_is_changed_with_a_source(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from tests.hand_made import load_rows, made_case

    load_rows(tmp_path / "w", [made_case("a", lafh_mm_start=60.0, lafh_mm_finish=61.0)])
    assert main(["growth", "--warehouse", str(tmp_path / "w"), "--enlargement", "10"]) == 1
    assert "without a source" in capsys.readouterr().err
    found = references(tmp_path / "w", capsys, "--enlargement", "10", "--source", "the monograph, page 1")["ATLAS"]
    assert found["version"] == "2.0.0"
    assert "divided by 1.1 for the enlargement of the films (the monograph, page 1)" in found["provenance"]
    lower = next(one for one in found["curves"] if (one["measure"], one["sex"]) == ("lafh_mm", "male"))
    assert lower["means"][0] == pytest.approx(63.7 / 1.1)
