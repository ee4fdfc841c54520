"""Workbooks, Parquet and JSON: the same table whatever the file."""

from __future__ import annotations

import datetime as dt
import io
import json
import zipfile
from pathlib import Path

import openpyxl
import polars as pl
import pytest
from openpyxl.styles import Font

from pipelines.contract.delivery import RawTable
from pipelines.reading.files import read_file
from pipelines.reading.settings import ReadSettings


def saved(folder: Path, sheets: dict[str, list[list[object]]], *, hidden: tuple[str, ...] = (), at: int = 1) -> Path:
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        sheet.sheet_state = "hidden" if name in hidden else "visible"
        for r, row in enumerate(rows, start=at):
            for c, value in enumerate(row, start=at):
                sheet.cell(r, c, value)
    path = folder / "cases.xlsx"
    book.save(path)
    return path


def taken(table: RawTable, about: str) -> str | None:
    return next((a.taken for a in table.assumptions if a.about == about), None)


def test_cells_come_as_text_with_plain_dates_and_shortest_numbers(tmp_path: Path) -> None:
    rows = [
        ["case_id", "start_date", "overjet", "n", "asked"],
        ["A1", dt.date(2021, 3, 4), 6.5, 3, True],
        ["A2", dt.datetime(2021, 12, 31), 0.1 + 0.2, 4.0, False],
        ["A3", None, 1e-7, 10**12, None],
    ]
    (table,) = read_file(saved(tmp_path, {"Cases": rows}))
    assert table.frame.rows() == [
        ("A1", "2021-03-04", "6.5", "3", "true"),
        ("A2", "2021-12-31", "0.3", "4", "false"),
        ("A3", None, "0.0000001", "1000000000000", None),
    ]
    assert (table.source.name, table.source.sheet) == ("cases.xlsx", "Cases")


def test_rows_and_columns_are_counted_as_the_sheet_shows_them(tmp_path: Path) -> None:
    rows = [["Spring list"], [], ["case_id", "sex", None], ["A1", "male", "x"], [], ["A2", "female", "y"]]
    (table,) = read_file(saved(tmp_path, {"S": rows}, at=3))
    assert table.rows.to_list() == [6, 8]
    assert table.frame.columns == ["case_id", "sex", "column E"]
    assert taken(table, "header row") == "row 5"
    assert taken(table, "blank rows") == "1 left out"
    stated = read_file(tmp_path / "cases.xlsx", ReadSettings(header_row=5))[0]
    assert stated.frame.equals(table.frame)


def test_a_merged_header_is_joined(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    for row in (
        ["Case", "Sex", "Start", None, "Finish", None],
        [None, None, "SN-MP", "Overjet", "SN-MP", "Overjet"],
        ["A1", "m", 35.2, 6.5, 36.1, 2],
        ["A2", "f", 31, 4.5, 30.5, 1.5],
    ):
        sheet.append(row)
    for area in ("A1:A2", "B1:B2", "C1:D1", "E1:F1"):
        sheet.merge_cells(area)
    book.save(tmp_path / "cases.xlsx")
    (table,) = read_file(tmp_path / "cases.xlsx")
    assert table.frame.columns == ["Case", "Sex", "Start SN-MP", "Start Overjet", "Finish SN-MP", "Finish Overjet"]
    assert table.rows.to_list() == [3, 4]


def test_every_visible_sheet_with_a_table_is_read_and_the_others_are_recorded(tmp_path: Path) -> None:
    table = [["case_id", "sex"], ["A1", "male"]]
    path = saved(tmp_path, {"a": table, "note": [["text"]], "old": table, "empty": [], "b": table}, hidden=("old",))
    tables = read_file(path)
    assert [t.source.sheet for t in tables] == ["a", "b"]
    assert {taken(t, "sheets left out") for t in tables} == {"sheets 2, 3, 4"}


def test_a_stated_sheet_is_read_also_when_hidden(tmp_path: Path) -> None:
    table = [["case_id", "sex"], ["A1", "male"]]
    path = saved(tmp_path, {"a": table, "old": [*table, ["A2", "female"]]}, hidden=("old",))
    (read,) = read_file(path, ReadSettings(sheet="old"))
    assert read.frame["case_id"].to_list() == ["A1", "A2"]


def test_numbers_typed_as_text_with_a_comma_set_the_notation_of_the_sheet(tmp_path: Path) -> None:
    rows = [["case_id", "start", "finish"], ["A1", "35,2", 36.1], ["A2", 31.5, 30], ["A3", "33,0", 33.5]]
    (table,) = read_file(saved(tmp_path, {"S": rows}))
    assert table.frame["start"].to_list() == ["35,2", "31,5", "33,0"]
    assert table.frame["finish"].to_list() == ["36,1", "30", "33,5"]
    assert taken(table, "decimal") == ","


def test_a_stated_decimal_mark_is_the_notation_of_the_sheet(tmp_path: Path) -> None:
    path = saved(tmp_path, {"S": [["case_id", "start"], ["A1", 35.2], ["A2", -1.5]]})
    assert read_file(path, ReadSettings(decimal=","))[0].frame["start"].to_list() == ["35,2", "-1,5"]
    assert read_file(path, ReadSettings(decimal="."))[0].frame["start"].to_list() == ["35.2", "-1.5"]
    assert taken(read_file(path)[0], "decimal") == "."


def test_totals_below_a_sheet_go(tmp_path: Path) -> None:
    rows = [["case_id", "a", "b"], ["A1", 1, 2], ["A2", 3, 5], ["Sum", 4, 7], [None, 2, 3.5]]
    (table,) = read_file(saved(tmp_path, {"S": rows}))
    assert table.frame["case_id"].to_list() == ["A1", "A2"]
    assert taken(table, "totals rows") == "row 4, 5 left out"


def test_cells_with_an_error_and_formulas_without_a_result_are_counted(tmp_path: Path) -> None:
    rows = [["case_id", "a", "b"], ["A1", 1, "=B2*2"], ["A2", "#DIV/0!", "=B3*2"], ["A3", 4, 5]]
    (table,) = read_file(saved(tmp_path, {"S": rows}))
    assert table.frame.rows() == [("A1", "1", None), ("A2", None, None), ("A3", "4", "5")]
    assert taken(table, "cells with a spreadsheet error") == "1 taken as blank"
    assert taken(table, "formulas without a stored result") == "2 taken as blank"


def test_cells_that_carry_only_a_format_do_not_make_a_sheet_large(tmp_path: Path) -> None:
    path = saved(tmp_path, {"S": [["case_id", "sex"], ["A1", "male"]]})
    book = openpyxl.load_workbook(path)
    for place in ("XFD1", "A1048576"):
        book.active[place].font = Font(bold=True)
    book.save(path)
    (table,) = read_file(path)
    assert table.frame.rows() == [("A1", "male")]


def test_a_workbook_named_csv_is_read_as_what_it_is(tmp_path: Path) -> None:
    path = saved(tmp_path, {"S": [["case_id", "sex"], ["A1", "male"]]})
    assert read_file(path.rename(tmp_path / "cases.csv"))[0].frame.rows() == [("A1", "male")]


def test_parquet_keeps_its_types_and_trims_its_text(tmp_path: Path) -> None:
    frame = pl.DataFrame(
        {
            " case_id": ["A1 ", "A2", None],
            "start_date": [dt.date(2021, 3, 4), None, None],
            "overjet": [6.5, 4.0, None],
            "sex": pl.Series(["male", "female", None], dtype=pl.Categorical),
            "empty": pl.Series([None, None, None], dtype=pl.Float64),
        }
    )
    frame.write_parquet(tmp_path / "cases.parquet")
    (table,) = read_file(tmp_path / "cases.parquet")
    assert table.frame.schema == {
        "case_id": pl.String,
        "start_date": pl.Date,
        "overjet": pl.Float64,
        "sex": pl.String,
    }
    assert table.frame.row(0) == ("A1", dt.date(2021, 3, 4), 6.5, "male")
    assert table.rows.to_list() == [2, 3]
    assert taken(table, "blank columns") == "left out: empty"


def test_json_records_become_text_as_written(tmp_path: Path) -> None:
    path = tmp_path / "points.json"
    path.write_text('[{"case_id": "A1", "x": 12.50, "ok": true}, {"case_id": " A2 ", "y": 1e3, "x": null}, {}]')
    (table,) = read_file(path)
    assert table.frame.columns == ["case_id", "x", "ok", "y"]
    assert table.frame.rows() == [("A1", "12.50", "true", None), ("A2", None, None, "1e3")]
    assert table.rows.to_list() == [2, 3]


def test_json_with_several_lists_gives_several_tables(tmp_path: Path) -> None:
    path = tmp_path / "export.json"
    records = [{"case_id": "Ä1", "a": "x"}]
    path.write_text(json.dumps({"cases": records, "visits": records}, ensure_ascii=False), encoding="utf-8")
    assert [t.source.sheet for t in read_file(path)] == ["cases", "visits"]
    (one,) = read_file(path, ReadSettings(sheet="visits", decimal="."))
    assert one.frame.rows() == [("Ä1", "x")]


def test_the_same_table_comes_from_every_kind_of_file(tmp_path: Path) -> None:
    frame = pl.DataFrame({"case_id": ["A1", "A2"], "sex": ["male", "female"], "a": ["35.2", "31.5"]})
    frame.write_csv(tmp_path / "t.csv")
    frame.write_parquet(tmp_path / "t.parquet")
    (tmp_path / "t.json").write_text(json.dumps(frame.to_dicts()))
    saved(tmp_path, {"S": [frame.columns, ["A1", "male", 35.2], ["A2", "female", 31.5]]}).rename(tmp_path / "t.xlsx")
    for ending in ("csv", "parquet", "json", "xlsx"):
        (table,) = read_file(tmp_path / f"t.{ending}")
        assert table.frame.equals(frame), ending
        assert table.rows.to_list() == [2, 3], ending


def test_a_crash_inside_the_library_is_a_damaged_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import fastexcel

    from warehouse.errors import BadFileError

    class PanicException(BaseException):
        pass

    path = saved(tmp_path, {"S": [["case_id", "sex"], ["A1", "male"]]})

    def panic(_: bytes) -> None:
        raise PanicException

    monkeypatch.setattr(fastexcel, "read_excel", panic)
    with pytest.raises(BadFileError, match="damaged"):
        read_file(path)

    def interrupt(_: bytes) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(fastexcel, "read_excel", interrupt)
    with pytest.raises(KeyboardInterrupt):
        read_file(path)


def test_broken_xml_in_a_sound_archive_is_a_damaged_file(tmp_path: Path) -> None:
    from warehouse.errors import BadFileError

    path = saved(tmp_path, {"S": [["case_id", "sex"], ["A1", "male"]]})
    target = io.BytesIO()
    with zipfile.ZipFile(path) as old, zipfile.ZipFile(target, "w") as new:
        for name in old.namelist():
            new.writestr(name, old.read(name)[:-200] if name.endswith("sheet1.xml") else old.read(name))
    path.write_bytes(target.getvalue())
    with pytest.raises(BadFileError, match="damaged"):
        read_file(path)
