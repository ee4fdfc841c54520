"""The spreadsheet template: what it holds, and that a filled one is read without a mapping."""

from __future__ import annotations

import argparse
import math
import re
from pathlib import Path
from typing import Any

import openpyxl
import polars as pl
import pytest
from openpyxl.worksheet.worksheet import Worksheet

from pipelines.cli import main
from pipelines.commands.declared import COMMANDS, add_options
from pipelines.contract.contract import load_contract
from pipelines.ingest.ingest import Request, ingest
from pipelines.reading.files import read_file
from pipelines.template.entries import EntrySheet, table_sheets, wide_sheet
from pipelines.template.workbook import LAST_ROW, READ_ME, template_workbook, write_template
from warehouse.errors import BadFileError, RequestError
from warehouse.measures.catalogue import CATALOGUE
from warehouse.outcomes.definition import AnswerPart, DefinitionPart
from warehouse.outcomes.registry import shipped_registry
from warehouse.store.storage import Connection
from warehouse.store.store import STORE

CONTRACT = load_contract()
LAYOUTS = {"wide": (wide_sheet(),), "tables": table_sheets()}


def filled(path: Path, sheets: tuple[EntrySheet, ...], rows: dict[str, list[dict[str, object]]]) -> Path:
    """A template with rows entered below the example row, as a person would."""
    write_template(path, sheets)
    book = openpyxl.load_workbook(path)
    for name, entered in rows.items():
        page = book[name]
        places = {cell.value: cell.column for cell in page[1]}
        for row, values in enumerate(entered, start=3):
            for column, value in values.items():
                page.cell(row, places[column], value)
    book.save(path)
    return path


def case(case_id: str, **more: object) -> dict[str, object]:
    needed = {"sex": "female", "selection": "consecutive", "status": "finished", "comparison": "treated"}
    return {"case_id": case_id, **needed, "age_at_start": 11.5, "start_quarter": "2022-Q2", **more}


WIDE_ROWS = {
    "Cases": [
        case(
            "007",
            incisor_class="II/1",
            extracted_teeth="14 24",
            phase_1_appliance_category="fixed_labial",
            months_from_start_finish=24,
            sn_gogn_deg_start=34.5,
            sn_gogn_deg_finish=37.25,
            overjet_mm_start=7,
            overjet_mm_finish=2.5,
        ),
        case("008", sex="male", sn_gogn_deg_start=30),
    ]
}
TABLE_ROWS: dict[str, list[dict[str, object]]] = {
    "cases": [case("A1"), case("A2", comparison="untreated")],
    "phases": [{"case_id": "A1", "phase_no": 1, "appliance_category": "facemask", "months_duration": 9}],
    "visits": [{"case_id": "A1", "timepoint": "start", "months_from_start": 0, "mouth_posture": "open"}],
    "measurements": [
        {"case_id": "A1", "timepoint": "start", "measure": "overjet_mm", "value": 6.5, "examiner": "E1", "repeat_no": n}
        for n in (1, 2)
    ],
}


def rules(page: Worksheet) -> dict[str, Any]:
    """Heading -> its data validation."""
    names = {cell.column_letter: cell.value for cell in page[1]}
    return {
        names[re.match("[A-Z]+", str(rule.sqref)).group()]: rule  # type: ignore[union-attr]
        for rule in page.data_validations.dataValidation
    }


@pytest.mark.parametrize("layout", LAYOUTS)
def test_every_column_is_explained_and_needed_ones_stand_out(layout: str) -> None:
    book = template_workbook(LAYOUTS[layout])
    for sheet in LAYOUTS[layout]:
        page = book[sheet.name]
        assert [cell.value for cell in page[1]] == [column.name for column in sheet.columns]
        assert page.freeze_panes == "B2"
        for cell, column in zip(page[1], sheet.columns, strict=True):
            assert column.about in cell.comment.text
            assert ("Needed in every row." in cell.comment.text) == column.required
            assert cell.fill.fgColor.rgb.endswith("9FB3C8" if column.required else "D9E2EC")


@pytest.mark.parametrize("layout", LAYOUTS)
def test_coded_columns_offer_exactly_the_codes_of_the_contract(layout: str) -> None:
    book = template_workbook(LAYOUTS[layout])
    codes = book["Codes"]
    for sheet in LAYOUTS[layout]:
        found = rules(book[sheet.name])
        for column in sheet.columns:
            if column.codes is None:
                continue
            area = found[column.name].formula1.removeprefix("'Codes'!").replace("$", "")
            offered = [row[0].value for row in codes[area]]
            known = list(CATALOGUE) if column.codes == "measure" else [c.code for c in CONTRACT.codes[column.codes]]
            assert offered == known
            assert found[column.name].type == "list"
            assert str(found[column.name].sqref).endswith(str(LAST_ROW))


def test_numbers_outside_their_limits_get_a_warning() -> None:
    found = rules(template_workbook(LAYOUTS["wide"])["Cases"])
    plane, points = found["sn_gogn_deg_start"], found["par_uk_points_finish"]
    assert (plane.type, plane.formula1, plane.formula2, plane.errorStyle) == ("decimal", "5", "65", "warning")
    assert (points.type, points.formula1, points.formula2) == ("whole", "0", "104")
    assert (found["age_at_start"].formula1, found["age_at_start"].formula2) == ("2", "120")


def test_text_columns_are_formatted_as_text() -> None:
    page = template_workbook(LAYOUTS["wide"])["Cases"]
    formats = {cell.value: page.column_dimensions[cell.column_letter].number_format for cell in page[1]}
    assert {formats[name] for name in ("case_id", "incisor_class", "extracted_teeth", "start_quarter")} == {"@"}
    assert formats["overjet_mm_start"] == "General"


def test_every_shipped_definition_can_be_judged_from_the_wide_template() -> None:
    names = {column.name for column in LAYOUTS["wide"][0].columns}
    for definition in shipped_registry():
        for part in definition.parts:
            if isinstance(part, DefinitionPart):
                continue
            fields = (part.question,) if isinstance(part, AnswerPart) else part.measures
            ends = part.span.split("_to_")
            assert any({f"{field}_{end}" for end in ends} <= names for field in fields), (definition.id, part)


def test_no_date_and_no_free_text_is_asked_for() -> None:
    for sheets in LAYOUTS.values():
        for sheet in sheets:
            assert not [c.name for c in sheet.columns if c.kind == "date" or "date" in c.name.split("_")]
    text = " ".join(READ_ME)
    for word in (
        "Names",
        "dates of birth",
        "photographs",
        "free text",
        "not a diagnosis",
        "association",
        "consecutive",
    ):
        assert word in text


def test_the_sheets_that_explain_hold_the_whole_contract_and_catalogue() -> None:
    book = template_workbook(LAYOUTS["wide"])
    assert book.sheetnames == ["Cases", "Read me", "Dictionary", "Measures", "Codes"]
    listed = {(row[0].value, row[1].value) for row in book["Dictionary"].iter_rows(min_row=2)}
    assert listed == {(table.name, column.name) for table in CONTRACT.tables for column in table.columns}
    measures = {row[0].value: row for row in book["Measures"].iter_rows(min_row=2)}
    assert list(measures) == list(CATALOGUE)
    for code, measure in CATALOGUE.items():
        values = [cell.value for cell in measures[code]]
        assert values[1:4] == [measure.label, measure.definition, measure.unit]
        assert measure.norm is None or measure.norm.source in str(values[8])


def test_an_empty_template_holds_no_table(tmp_path: Path) -> None:
    for layout, sheets in LAYOUTS.items():
        write_template(tmp_path / f"{layout}.xlsx", sheets)
        with pytest.raises(BadFileError, match="no visible sheet holds a table"):
            read_file(tmp_path / f"{layout}.xlsx")


def test_the_example_row_is_plausible_when_it_is_taken_for_a_case(tmp_path: Path) -> None:
    """The example would pass the checks: it shows what is right."""
    sheet = wide_sheet()
    for column in sheet.columns:
        if isinstance(column.example, int | float) and column.low is not None and column.high is not None:
            assert column.low <= column.example <= column.high, column.name
        if column.codes:
            assert column.example in [code.code for code in CONTRACT.codes[column.codes]]


def test_a_filled_wide_template_is_read_without_its_example(tmp_path: Path) -> None:
    (table,) = read_file(filled(tmp_path / "t.xlsx", LAYOUTS["wide"], WIDE_ROWS))
    assert table.frame["case_id"].to_list() == ["007", "008"]
    assert table.rows.to_list() == [3, 4]
    assert table.frame["incisor_class"].to_list() == ["II/1", None]
    notes = {note.about: note.taken for note in table.assumptions}
    assert notes["example row"] == "row 2 left out"
    assert notes["sheets left out"] == "sheets 2, 3, 4, 5"


@pytest.mark.parametrize(("layout", "rows", "n_read"), [("wide", WIDE_ROWS, [2]), ("tables", TABLE_ROWS, [2, 1, 1, 2])])
def test_a_filled_template_is_ingested_without_a_mapping(
    tmp_path: Path, layout: str, rows: dict[str, list[dict[str, object]]], n_read: list[int]
) -> None:
    path = filled(tmp_path / "t.xlsx", LAYOUTS[layout], rows)
    outcome = ingest(Request(paths=(path,), warehouse=tmp_path / "w", practice="HARBOUR"))
    assert [one.delivery.n_read for one in outcome.checked] == n_read
    turned_away = pl.concat([one.turned_away for one in outcome.checked])
    assert turned_away.height == 0, turned_away


def test_the_command_writes_either_layout_and_never_over_a_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    parser = argparse.ArgumentParser()
    add_options(parser.add_subparsers().add_parser("template"), COMMANDS["template"])
    path = tmp_path / "t.xlsx"
    args = parser.parse_args(["template", "--out", str(path), "--tables"])
    assert args.run(args) == 0
    assert "menton ingest" in capsys.readouterr().out
    assert openpyxl.load_workbook(path).sheetnames[:5] == [table.name for table in CONTRACT.tables]
    with pytest.raises(RequestError, match="already there"):
        args.run(args)
    again = parser.parse_args(["template", "--out", str(path), "--overwrite"])
    assert again.run(again) == 0
    assert openpyxl.load_workbook(path).sheetnames[0] == "Cases"


def test_a_template_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    with pytest.raises(RequestError, match=r"ending in '\.csv'"):
        write_template(tmp_path / "t.csv", LAYOUTS["wide"])
    with pytest.raises(RequestError, match="cannot be written"):
        write_template(tmp_path / "gone" / "t.xlsx", LAYOUTS["wide"])


@pytest.mark.parametrize("layout", ["long", "points"])
def test_templates_for_long_files_and_points_are_filled_in_and_load(layout: str, tmp_path: Path) -> None:
    path = tmp_path / "own.xlsx"
    assert main(["template", f"--{layout}", "--out", str(path)]) == 0
    of_case = {"case_id": "A1", "timepoint": "start"}
    point = {**of_case, "view": "lateral_radiograph", "unit": "mm", "y_axis": "down", "faces": "right"}
    places = {"S": (0.0, 50.0), "N": (70.0, 40.0), "Go": (10.0, 120.0), "Me": (60.0, 160.0)}
    rows = {
        "long": TABLE_ROWS,
        "points": {
            "cases": TABLE_ROWS["cases"],
            "landmarks": [{**point, "landmark": code, "x": x, "y": y} for code, (x, y) in places.items()],
        },
    }[layout]
    book = openpyxl.load_workbook(path)
    for name, entered in rows.items():
        columns = {cell.value: cell.column for cell in book[name][1]}
        for row, values in enumerate(entered, start=3):
            for column, value in values.items():
                book[name].cell(row, columns[column], value)
    book.save(path)
    assert main(["ingest", str(path), "--warehouse", str(tmp_path / "w"), "--practice", "HARBOUR"]) == 0
    with Connection(tmp_path / "w" / STORE, read_only=True) as store:
        assert store.value("select count(*) from cases") == 2
        if layout == "long":
            assert store.rows("select overjet_mm, repeat_no from readings order by repeat_no") == [(6.5, 1), (6.5, 2)]
        else:
            # by hand: SN falls 10 in 70 as it goes ahead (y is down), Go-Me rises 40 in 50
            angle = math.degrees(math.atan2(40, 50) - math.atan2(-10, 70))
            assert store.value("select sn_gome_deg from readings") == pytest.approx(angle, abs=0.01)
