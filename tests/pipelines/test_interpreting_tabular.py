"""A file of one contract table, or of points."""

from __future__ import annotations

import polars as pl

from tests.raw_tables import CONTRACT, KEYER, WIDE, interpreted, problems

READINGS = {
    "case_id": ["1", "1", "2"],
    "timepoint": ["start", "T2", "start"],
    "measure": ["anb_deg", "ANB_DEG", "overjet_mm"],
    "value": ["4.5", "3.5", "0.7"],
}


def test_readings_are_kept_in_the_unit_of_their_measure() -> None:
    delivery = interpreted({**READINGS, "unit": ["", "rad", "cm"], "value": ["4.5", "0.1", "0.7"]})
    table = delivery.tables["measurements"]
    assert table.columns == ["row", "case_id", "timepoint", "measure", "value", "examiner", "repeat_no"]
    assert table.drop("case_id").rows() == [
        (2, "start", "anb_deg", 4.5, "E1", 1),
        (3, "finish", "anb_deg", 0.1 * 57.29577951308232, "E1", 1),
        (4, "start", "overjet_mm", 7.0, "E1", 1),
    ]
    assert table["case_id"][0] == KEYER.key("HARBOUR", "1")
    assert delivery.layout == "tabular"
    assert list(delivery.tables) == ["measurements"]


def test_examiner_and_repeat_are_kept_where_given() -> None:
    table = interpreted({**READINGS, "examiner": ["e2", "", "A"], "repeat_no": ["2", "", "1"]}).tables["measurements"]
    assert table.select("examiner", "repeat_no").rows() == [("E2", 2), ("E1", 1), ("A", 1)]
    assert table.schema["repeat_no"] == pl.Int64


def test_units_that_do_not_fit_and_scores_that_are_not_whole() -> None:
    columns = {
        "case_id": ["1"] * 5,
        "timepoint": ["start"] * 5,
        "measure": ["anb_deg", "anb_deg", "par_uk_points", "par_uk_points", "anb"],
        "value": ["4.5", "4.5", "12.5", "12", "x"],
        "unit": ["mm", "ell", "", "points", ""],
    }
    delivery = interpreted(columns)
    assert problems(delivery) == [
        (2, "unit", "K007", "a word of 2 letters"),
        (3, "unit", "K007", "a word of 3 letters"),
        (4, "value", "K004", "12.5"),
        (6, "measure", "K006", "a word of 3 letters"),
        (6, "value", "K001", "a word of 1 letter"),
    ]
    assert delivery.tables["measurements"]["value"].to_list() == [None, 4.5, None, 12.0, None]


def test_one_unit_for_all_values_by_the_mapping() -> None:
    text = '[file]\ntable = "measurements"\n[columns]\n"n" = "case_id"\n"t" = "timepoint"\n"v" = "value"\n'
    text += (
        '[constants]\nmeasure = "overjet_mm"\n[units]\n"v" = "cm"\n[codes.timepoint]\n"8" = "start"\n"10" = "finish"\n'
    )
    delivery = interpreted({"n": [1, 1], "t": [8.0, 10.0], "v": [0.7, 0.3]}, text)
    table = delivery.tables["measurements"]
    assert table.select("timepoint", "measure", "value").rows() == [
        ("start", "overjet_mm", 7.0),
        ("finish", "overjet_mm", 3.0),
    ]
    degrees = interpreted({"n": [1], "t": [8.0], "v": [0.7]}, text.replace('"cm"', '"degrees"'))
    assert problems(degrees) == [(2, "v", "K007", "a word of 7 letters")]


def test_a_table_of_cases_alone() -> None:
    delivery = interpreted({**WIDE, "birth_date": ["2001-03-12", ""], "start_date": ["2013-04-05", "2012-08-07"]})
    assert list(delivery.tables) == ["cases"]
    assert delivery.tables["cases"].select("age_at_start", "start_quarter").rows() == [
        (12.07, "2013-Q2"),
        (None, "2012-Q3"),
    ]
    assert delivery.tables["cases"].columns == [
        "row",
        *(one.name for one in CONTRACT.table("cases").columns if one.kept),
    ]


def test_a_table_of_phases() -> None:
    columns = {"case_id": ["1", "1"], "phase_no": ["1", "2.5"], "appliance_category": ["expander tooth borne", "x"]}
    delivery = interpreted(columns)
    assert delivery.tables["phases"].select("phase_no", "appliance_category").rows() == [
        (1, "expander_tooth_borne"),
        (None, None),
    ]
    assert problems(delivery) == [
        (3, "phase_no", "K004", "2.5"),
        (3, "appliance_category", "K002", "a word of 1 letter"),
    ]


def test_dates_of_visits_become_months_from_the_start_of_the_case() -> None:
    columns = {
        "case_id": ["1", "1", "2", "2", "3"],
        "timepoint": ["finish", "start", "start", "progress", "finish"],
        "date": ["2015-05-06", "2013-04-05", "2013-04-05", "2013-04-01", "2015-05-06"],
        "mouth_posture": ["open", "closed", "", "", ""],
    }
    delivery = interpreted(columns)
    table = delivery.tables["visits"]
    assert "date" not in table.columns
    assert table["months_from_start"].to_list() == [round(761 / 30.4375, 2), 0.0, 0.0, None, None]
    assert problems(delivery) == [
        (5, "date", "K009", "a date before the start date"),
        (6, "date", "K011", "a date"),
    ]


def test_visits_with_months_need_no_dates() -> None:
    columns = {"case_id": ["1"], "timepoint": ["finish"], "months_from_start": ["24"]}
    assert interpreted(columns).tables["visits"]["months_from_start"].to_list() == [24.0]


def test_points() -> None:
    columns = {
        "case_id": ["1", "1"],
        "timepoint": ["start", "start"],
        "view": ["lateral radiograph", "lateral_radiograph"],
        "landmark": ["S", "Sx"],
        "x": ["1200.5", "0"],
        "y": ["-3", "0"],
        "unit": ["px", "mm"],
        "y_axis": ["down", "up"],
        "faces": ["right", "left"],
    }
    delivery = interpreted(columns)
    assert delivery.layout == "points"
    assert delivery.tables["landmarks"].drop("case_id").rows()[0] == (
        2, "start", "lateral_radiograph", "S", 1200.5, -3.0, "px", "down", "right", "E1", 1,
    )  # fmt: skip
    assert problems(delivery) == [(3, "landmark", "K012", "a word of 2 letters")]
