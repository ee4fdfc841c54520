"""The contract as an open description and as a page to read."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import pytest
from frictionless import Package, system

from pipelines.contract.contract import load_contract
from pipelines.contract.dictionary import TEXT, code_lists, column_rows, measure_rows
from tests import data_package, dictionary_page
from tests.data_package import descriptor
from tests.dictionary_page import dictionary
from warehouse.measures.catalogue import CATALOGUE

CONTRACT = load_contract()
FOLDER = data_package.FILE.parent

CASE = {"case_id": "A1", "sex": "female", "selection": "consecutive", "status": "finished", "comparison": "treated"}
GOOD: dict[str, list[dict[str, object]]] = {
    "cases": [
        CASE | {"age_at_start": 11.25, "extracted_teeth": "14 24", "start_quarter": "2021-Q3", "incisor_class": "II/1"},
        CASE | {"case_id": "A2", "sex": "male", "age_at_start": "n/a", "extracted_teeth": "none"},
    ],
    "phases": [{"case_id": "A1", "phase_no": 1, "appliance_category": "fixed_labial", "months_duration": 24}],
    "visits": [{"case_id": "A1", "timepoint": "start"}, {"case_id": "A1", "timepoint": "finish"}],
    "measurements": [
        {
            "case_id": "A1",
            "timepoint": "start",
            "measure": "sn_gogn_deg",
            "value": 34.5,
            "examiner": "E1",
            "repeat_no": 1,
        }
    ],
    "landmarks": [
        {
            "case_id": "A2",
            "timepoint": "start",
            "view": "lateral_radiograph",
            "landmark": "S",
            "x": 1.5,
            "y": -2,
            "unit": "mm",
            "y_axis": "up",
            "faces": "right",
            "examiner": "E1",
            "repeat_no": 1,
        }
    ],
}


def shipped() -> Any:
    return json.loads(data_package.FILE.read_text(encoding="utf-8"))


def problems(folder: Path, tables: dict[str, list[dict[str, object]]]) -> set[tuple[str, str, str]]:
    """(table, kind of error, column) that the general tool finds in an export."""
    for table in CONTRACT.tables:
        with (folder / f"{table.name}.csv").open("w", newline="", encoding="utf-8") as stream:
            writer = csv.DictWriter(stream, [column.name for column in table.columns])
            writer.writeheader()
            writer.writerows(tables[table.name])
    (folder / "datapackage.json").write_text((FOLDER / "datapackage.json").read_text(encoding="utf-8"))
    with system.use_context(trusted=True):
        report = Package(str(folder / "datapackage.json")).validate()
    return {(task.name, error.type, getattr(error, "field_name", "")) for task in report.tasks for error in task.errors}


def changed(table: str, row: int, **values: object) -> dict[str, list[dict[str, object]]]:
    rows = [dict(given) for given in GOOD[table]]
    rows[row].update(values)
    return GOOD | {table: rows}


def test_the_shipped_documents_are_up_to_date(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for module in (data_package, dictionary_page):
        kept = module.FILE.read_bytes()
        monkeypatch.setattr(module, "FILE", tmp_path / module.FILE.name)
        module.main()
        assert module.FILE.read_bytes() == kept, f"run python -m {module.__name__}"


def test_the_description_is_a_valid_data_package() -> None:
    content = shipped()
    assert list(Package.metadata_validate(content)) == []
    assert content == json.loads(json.dumps(descriptor(CONTRACT, CATALOGUE)))


def test_a_good_export_passes(tmp_path: Path) -> None:
    assert problems(tmp_path, GOOD) == set()


@pytest.mark.parametrize(
    ("tables", "expected"),
    [
        (changed("cases", 0, sex="femle"), ("cases", "constraint-error", "sex")),
        (changed("cases", 0, age_at_start=130), ("cases", "constraint-error", "age_at_start")),
        (changed("cases", 0, age_at_start="eleven"), ("cases", "type-error", "age_at_start")),
        (changed("cases", 0, extracted_teeth="14 29"), ("cases", "constraint-error", "extracted_teeth")),
        (changed("cases", 0, start_quarter="2021-Q5"), ("cases", "constraint-error", "start_quarter")),
        (changed("cases", 0, status=""), ("cases", "constraint-error", "status")),
        (changed("cases", 1, case_id="A1"), ("cases", "primary-key", "")),
        (changed("phases", 0, case_id="A9"), ("phases", "foreign-key", "")),
        (changed("phases", 0, phase_no=1.5), ("phases", "type-error", "phase_no")),
        (changed("measurements", 0, measure="sn_gogn"), ("measurements", "constraint-error", "measure")),
        (changed("landmarks", 0, y_axis="sideways"), ("landmarks", "constraint-error", "y_axis")),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else "",
)
def test_a_planted_fault_is_found(
    tmp_path: Path, tables: dict[str, list[dict[str, object]]], expected: tuple[str, str, str]
) -> None:
    assert expected in problems(tmp_path, tables)


def test_every_column_and_code_of_the_contract_is_described() -> None:
    resources = {r["name"]: r["schema"] for r in shipped()["resources"]}
    assert list(resources) == [table.name for table in CONTRACT.tables]
    for table in CONTRACT.tables:
        fields = {field["name"]: field for field in resources[table.name]["fields"]}
        assert list(fields) == [column.name for column in table.columns]
        assert resources[table.name]["primaryKey"] == list(table.key)
        for column in table.columns:
            limits = fields[column.name].get("constraints", {})
            assert limits.get("required", False) == column.required
            assert (limits.get("minimum"), limits.get("maximum")) == (column.min, column.max)
            if column.type == "code" and column.codes != "measure":
                assert limits["enum"] == [code.code for code in CONTRACT.codes[column.codes]]


def test_the_dictionary_holds_every_column_code_and_measure() -> None:
    text = dictionary(CONTRACT, CATALOGUE)
    for table in CONTRACT.tables:
        assert f"## Table `{table.name}`" in text
    for _, column, wide_name, *_ in column_rows(CONTRACT):
        assert f"| {column} | {wide_name} |" in text
    for name, codes in code_lists(CONTRACT).items():
        assert name == "tooth" or all(f"| {code} | {label} |" in text for code, label in codes)
    for code, label, *_ in measure_rows(CATALOGUE.values()):
        assert f"| {code} | {label} |" in text


def test_names_in_a_file_of_one_row_a_case() -> None:
    names = {(table, column): wide_name for table, column, wide_name, *_ in column_rows(CONTRACT)}
    assert names["cases", "sex"] == "sex"
    assert names["visits", "mouth_posture"] == "mouth_posture_TIME"
    assert names["visits", "date"] == "TIME_date"
    assert names["phases", "arch"] == "phase_N_arch"
    assert names["phases", "phase_no"] == ""


def test_a_measure_in_words() -> None:
    rows = {row[0]: dict(zip(TEXT["measure_titles"], row, strict=True)) for row in measure_rows(CATALOGUE.values())}
    overjet, method_error = rows["overjet_mm"], "Method error, one reading"
    assert overjet["Plausible (a value outside is turned away)"] == "-15 to 25"
    assert overjet["Norm"].startswith("2.5, adults")
    assert rows["tafh_mm"]["Norm"] == "none shipped"
    assert rows["sna_deg"][method_error] == "1.2"
    assert "SD 5.1" in rows["facial_index_pct"]["Norm"]
    assert rows["y_axis_fh_deg"][method_error] == "none shipped; comes from your own repeats"
