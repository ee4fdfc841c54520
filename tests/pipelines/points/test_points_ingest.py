"""Points handed over become readings: measured, held against the rules, loaded, published."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipelines.deidentify.keyer import Keyer
from pipelines.ingest.ingest import Outcome, Request, ingest
from tests.pipelines.points.points_made import (
    G1,
    LIPS,
    REFERENCE,
    cases_of,
    phases_of,
    rows_of,
    take_in,
    visits_of,
)
from warehouse.marts.reader import Reader
from warehouse.private_files import beside

ALL = ("good", "swapped", "far", "beside", "touching", "views", "alone")
SWAPPED = {**G1, "U1T": G1["U1A"], "U1A": G1["U1T"]}
FAR = {**G1, "A": (G1["A"][0] + 40.0, G1["A"][1])}
TOUCHING = {**G1, "L1T": G1["U1T"], "Stms": (85.0, -70.0), "Stmi": (85.0, -70.0)}
LOWER_LIP_LOW = {"Stms": (85.0, -70.0), "Stmi": (85.0, -75.0)}


def first_points() -> pl.DataFrame:
    frontal = {"ZyR": (-60.0, 0.0), "ZyL": (60.0, 0.0), "N'": (0.0, 10.0), "Sn": (0.0, -40.0), "Gn'": (0.0, -105.0)}
    rows = [
        *rows_of("good", "start", G1),
        *rows_of("good", "finish", G1),
        *rows_of("swapped", "start", SWAPPED),
        *rows_of("far", "start", FAR),
        *rows_of("beside", "start", G1),
        *rows_of("touching", "start", TOUCHING),
        *rows_of("views", "start", LIPS),
        *rows_of("views", "start", LOWER_LIP_LOW | frontal, view="frontal_photo"),
        *rows_of("views", "finish", LIPS),
        *rows_of("alone", "start", {code: G1[code] for code in ("S", "N", "Go")}),
    ]
    return pl.DataFrame(rows)


def typed(*rows: tuple[str, str, str, float]) -> pl.DataFrame:
    return pl.DataFrame(rows, schema=["case_id", "timepoint", "measure", "value"], orient="row")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("points")


@pytest.fixture(scope="module")
def first(folder: Path) -> Outcome:
    return take_in(
        folder,
        cases=cases_of(*ALL),
        phases=phases_of(*ALL),
        visits=visits_of(*ALL, gonion_kind="constructed"),
        measurements=typed(
            ("beside", "start", "sna_deg", 84.0),
            ("beside", "start", "snb_deg", 76.0),
            ("beside", "start", "par_uk_points", 30.0),
        ),
        landmarks=first_points(),
    )


@pytest.fixture(scope="module")
def reader(folder: Path, first: Outcome) -> Reader:
    return Reader.open(folder / "warehouse")


def of_points(outcome: Outcome) -> Any:
    return next(one for one in outcome.checked if one.delivery.layout == "points")


def case_key(warehouse: Path, outcome: Outcome, case: str) -> str:
    return Keyer.from_file(beside(warehouse, "key")).key(outcome.practice, case)


def readings(reader: Reader, outcome: Outcome, case: str, time: str = "start") -> dict[str, Any]:
    rows = reader.connection.frame(
        "select mart_timeline.* from mart_timeline inner join mart_cases using (case_no)"
        " where case_key = ? and timepoint = ?",
        [case_key(reader.snapshot.path.parent, outcome, case), time],
    )
    (row,) = rows.to_dicts()
    return row


def test_every_measure_of_the_reference_face_is_published(reader: Reader, first: Outcome) -> None:
    # Values worked out independently of this project, to three decimals; see the reference file.
    expected = REFERENCE["face_g1"]["values"]
    for time in ("start", "finish"):
        found = readings(reader, first, "good", time)
        assert {code: found[code] for code in expected} == pytest.approx(expected, abs=5e-4)


def test_swapped_points_are_turned_away_by_name_and_the_rest_is_measured(reader: Reader, first: Outcome) -> None:
    away = of_points(first).turned_away
    assert set(away.filter(pl.col("rule") == "L008")["found"]) == {"U1A and U1T look swapped"}
    found = readings(reader, first, "swapped")
    assert found["sn_gogn_deg"] == pytest.approx(31.947, abs=5e-4)
    assert found["u1_sn_deg"] is None
    assert found["overjet_mm"] is None


def test_an_implausible_measure_blames_the_point_that_explains_it(reader: Reader, first: Outcome) -> None:
    away = of_points(first).turned_away.filter(pl.col("rule").str.starts_with("M-"))
    points = first_points().with_row_index("row", offset=2)
    blamed = points.filter(pl.col("row").is_in(away["row"].implode())).select("case_id", "landmark").unique()
    assert blamed.rows() == [("far", "A")]
    # between N-S (-70, -8) and N-A (37, -56): arc cosine of -2142 / (70.456 x 67.119) is 116.934 degrees
    assert "sna_deg 116.93" in " ".join(away["found"])
    assert all(text.endswith("(from the points)") for text in away["found"])
    assert readings(reader, first, "far")["sna_deg"] is None
    assert readings(reader, first, "far")["snb_deg"] == pytest.approx(76.205, abs=5e-4)


def test_rows_read_are_rows_loaded_plus_rows_turned_away(first: Outcome) -> None:
    (record,) = [one for one in first.loaded if one.table == "landmarks"]
    assert (record.n_read, record.n_turned_away) == (first_points().height, 3)
    assert record.n_loaded == record.n_read - 3


def test_values_typed_in_beside_points_give_way_and_are_remarked_on(reader: Reader, first: Outcome) -> None:
    found = readings(reader, first, "beside")
    assert found["sna_deg"] == pytest.approx(80.414, abs=5e-4)
    assert found["par_uk_points"] == 30.0
    assert found["n_readings"] == 1
    singles = next(one for one in first.checked if "measurements" in one.delivery.tables)
    assert singles.remarks.filter(pl.col("rule") == "X014")["found"].to_list() == ["84"]  # 76.0 is near 76.205


def test_points_that_may_touch_are_not_turned_away(reader: Reader, first: Outcome) -> None:
    assert "L005" not in set(of_points(first).turned_away["rule"])
    found = readings(reader, first, "touching")
    assert found["lip_gap_mm"] == 0.0
    assert found["overjet_mm"] == pytest.approx(0.0, abs=1e-9)


def test_of_several_views_the_first_of_the_catalogue_counts(reader: Reader, first: Outcome) -> None:
    assert readings(reader, first, "views")["lip_gap_mm"] == pytest.approx(5.0)  # frontal, not the 2.0 of the film
    assert readings(reader, first, "views")["facial_index_pct"] == pytest.approx(100 * 115 / 120)
    assert readings(reader, first, "views", "finish")["lip_gap_mm"] == pytest.approx(2.0)


def test_what_was_made_of_the_points_is_said(first: Outcome) -> None:
    said = {one.about: one.taken for one in of_points(first).delivery.assumptions}
    assert said["measures"].endswith("measures of 9 readings, made from their points")
    assert said["lengths on films"] == "as on the film where no enlargement is known"


def test_which_values_were_computed_is_kept(folder: Path, first: Outcome) -> None:
    from warehouse.store.store import open_store

    with open_store(folder / "warehouse") as store:
        listed = store.rows(
            "select computed from readings inner join case_registry using (case_no)"
            " where replaced_by is null and case_key = ?",
            [case_key(folder / "warehouse", first, "beside")],
        )
    assert len(listed) == 1
    codes = listed[0][0].split()
    assert "sna_deg" in codes
    assert "par_uk_points" not in codes


def load(folder: Path, tmp_path: Path, name: str, frame: pl.DataFrame) -> Outcome:
    path = tmp_path / f"{name}.csv"
    frame.write_csv(path)
    return ingest(Request(paths=(path,), warehouse=folder / "warehouse"))


def test_corrected_points_alone_complete_a_tracing(folder: Path, first: Outcome, tmp_path: Path) -> None:
    corrected = pl.DataFrame(rows_of("swapped", "start", {code: G1[code] for code in ("U1T", "U1A")}))
    load(folder, tmp_path, "corrected", corrected)
    with Reader.open(folder / "warehouse") as again:
        found = readings(again, first, "swapped")
    assert found["u1_sn_deg"] == pytest.approx(104.851, abs=5e-4)
    assert found["overjet_mm"] == pytest.approx(3.277, abs=5e-4)
    assert found["sn_gogn_deg"] == pytest.approx(31.947, abs=5e-4)


def test_a_value_that_new_points_cannot_give_does_not_stay(folder: Path, first: Outcome, tmp_path: Path) -> None:
    with Reader.open(folder / "warehouse") as before:
        assert readings(before, first, "good", "finish")["sna_deg"] is not None
    moved = {"A": (G1["A"][0] + 40.0, G1["A"][1])}
    outcome = load(folder, tmp_path, "moved", pl.DataFrame(rows_of("good", "finish", moved)))
    assert of_points(outcome).n_turned_away == 1
    with Reader.open(folder / "warehouse") as after:
        # the new point was turned away: nothing of the delivery is left, so the earlier reading stands
        assert readings(after, first, "good", "finish")["sna_deg"] == pytest.approx(80.414, abs=5e-4)


def test_values_typed_in_later_leave_the_computed_ones(folder: Path, first: Outcome, tmp_path: Path) -> None:
    load(folder, tmp_path, "scores", typed(("alone", "start", "par_uk_points", 12.0)))
    points = pl.DataFrame(rows_of("alone", "start", {"Me": G1["Me"]}))
    load(folder, tmp_path, "menton", points)
    with Reader.open(folder / "warehouse") as again:
        found = readings(again, first, "alone")
    assert found["par_uk_points"] == 12.0
    assert found["sn_gome_deg"] == pytest.approx(36.265, abs=5e-4)
    assert found["tafh_mm"] == pytest.approx(116.499, abs=5e-4)


def test_nested_tracings_are_the_same_points(tmp_path: Path) -> None:
    said = {"view": "lateral_radiograph", "unit": "mm", "y_axis": "up", "faces": "right"}
    nested = [{"case_id": "a", "timepoint": "start", **said, "points": {code: list(xy) for code, xy in G1.items()}}]
    (tmp_path / "points.json").write_text(json.dumps(nested), encoding="utf-8")
    cases_of("a").write_csv(tmp_path / "cases.csv")
    outcome = ingest(
        Request(paths=(tmp_path / "cases.csv", tmp_path / "points.json"), warehouse=tmp_path / "warehouse")
    )
    assert {one.table: one.n_loaded for one in outcome.loaded} == {"cases": 1, "landmarks": len(G1)}
    with Reader.open(tmp_path / "warehouse") as reader:
        assert reader.connection.value("select sn_gogn_deg from mart_timeline") == pytest.approx(31.947, abs=5e-4)


PIXELS = {code: (1000.0 - 10.0 * x, 2000.0 - 10.0 * y) for code, (x, y) in G1.items()}
"""Face G1 looking left in a picture of 10 pixels a millimetre, rows counted from the top."""


def test_points_are_measured_anew_when_their_visits_change(tmp_path: Path) -> None:
    landmarks = pl.DataFrame(rows_of("a", "start", PIXELS, unit="px", y_axis="down", faces="left"))
    files = {"cases": cases_of("a"), "landmarks": landmarks}
    take_in(tmp_path, **files, visits=visits_of("a"))

    def published() -> tuple[float | None, float | None, float | None]:
        with Reader.open(tmp_path / "warehouse") as reader:
            (row,) = reader.connection.rows(
                "select sn_gogn_deg, overjet_mm, lafh_mm from mart_timeline where timepoint = 'start'"
            )
        return row

    angle, overjet, length = published() if _has_lengths(tmp_path) else (None, None, None)
    assert (overjet, length) == (None, None)  # pixels without a scale give angles only
    scaled = visits_of("a", image_scale_mm_per_px=0.1, magnification_pct=8.0)
    outcome = take_in(tmp_path, **files, visits=scaled)
    assert {one.table for one in outcome.loaded} == {"landmarks", "visits"}
    angle, overjet, length = published()
    assert angle == pytest.approx(31.947, abs=5e-4)
    assert overjet == pytest.approx(3.277 / 1.08, abs=5e-4)
    assert length == pytest.approx(66.483 / 1.08, abs=5e-4)
    assert [one.source for one in take_in(tmp_path, **files, visits=scaled).skipped] != []
    assert take_in(tmp_path, **files, visits=scaled).loaded == ()
    alone = take_in(tmp_path, visits=visits_of("a", image_scale_mm_per_px=0.2))
    said = {one.about: one.taken for one in alone.checked[0].delivery.assumptions}
    assert said["points"] == "lengths of 1 records were made with another enlargement or scale"


def _has_lengths(folder: Path) -> bool:
    with Reader.open(folder / "warehouse") as reader:
        columns = reader.connection.frame("select * from mart_timeline").columns
    return {"overjet_mm", "lafh_mm"} <= set(columns)
