"""Identifiers planted in every column, file name, sheet name, comment and property: none is found in anything kept,
written or said."""

from __future__ import annotations

import io
import json
import zipfile
from collections.abc import Callable
from datetime import date
from pathlib import Path

import openpyxl
import pytest
from openpyxl.comments import Comment

from pipelines.cli import main
from pipelines.contract.delivery import FileSource
from pipelines.deidentify.file_names import OWN_SCREEN, kept_source, shown_file_name, shown_sheet_name, shown_source
from pipelines.deidentify.keyer import Keyer
from tests.pipelines.test_json_keys import ONE_ROW_WRONG
from warehouse.store.snapshot import POINTER, current_snapshot
from warehouse.store.storage import Connection
from warehouse.store.store import STORE

NEEDLES = ("theodora", "quillfeather", "1987-04-23", "23.04.1987", "lantern-mail", "7946 0123", "0048213", "4711-98")
PLANTED = {
    "name": "Theodora Quillfeather",
    "one word": "Quillfeather",
    "date": "23.04.1987",
    "iso date": "1987-04-23",
    "record number": "MRN-0048213",
    "short number": "4711-98",
    "e-mail": "quill@lantern-mail.example",
    "telephone": "+44 20 7946 0123",
}
GOOD = {
    "case_id": "c{}",
    "sex": "female",
    "age_at_start": "11.5",
    "cvm_stage": "CS3",
    "incisor_class": "II/1",
    "molar_class": "II",
    "extracted_teeth": "none",
    "absent_teeth": "none",
    "start_quarter": "2021-Q1",
    "selection": "consecutive",
    "status": "finished",
    "comparison": "treated",
    "clinician": "C1",
    "wear_reported": "good",
    "phase_1_appliance_category": "fixed_labial",
    "phase_1_months_duration": "20",
    "months_from_start_finish": "24",
    "magnification_pct_start": "8",
    "mouth_posture_start": "open",
    "sn_gogn_deg_start": "32",
    "sn_gogn_deg_finish": "33",
}


def table(planted: str) -> list[list[str]]:
    """A header, ten good rows, and for each column one row with ``planted`` in it."""
    names = list(GOOD)
    rows = [[GOOD[name].format(n) for name in names] for n in range(10)]
    for position, name in enumerate(names):
        row = [GOOD[other].format(f"p{position}") for other in names]
        row[names.index(name)] = planted
        rows.append(row)
    return [names, *rows]


def found_in(text: str) -> set[str]:
    lower = text.casefold()
    return {needle for needle in NEEDLES if needle in lower}


def found_in_bytes(data: bytes) -> set[str]:
    """In the bytes, and in what is packed in them."""
    found = found_in(data.decode("latin-1")) | found_in(data.decode("utf-16-le", errors="ignore"))
    if zipfile.is_zipfile(io.BytesIO(data)):
        with zipfile.ZipFile(io.BytesIO(data)) as packed:
            for name in packed.namelist():
                found |= found_in(name) | found_in(packed.read(name).decode("utf-8", errors="replace"))
    return found


def found_in_folder(folder: Path) -> set[str]:
    """In every file, and in every value of the store and the snapshot (the files hold some of them compressed)."""
    found: set[str] = set()
    for path in folder.rglob("*"):
        if path.is_file():
            found |= found_in(path.name) | found_in_bytes(path.read_bytes())
    databases = [folder / STORE] if (folder / STORE).exists() else []
    if (folder / POINTER).exists():
        databases.append(current_snapshot(folder).path)
    for path in databases:
        with Connection(path, read_only=True) as database:
            for (name,) in database.rows("select table_name from duckdb_tables()"):
                found |= found_in(repr(database.rows(f'select * from "{name}"')))
    return found


def said(capsys: pytest.CaptureFixture[str]) -> set[str]:
    captured = capsys.readouterr()
    return found_in(captured.out) | found_in(captured.err)


def write_workbook(path: Path, rows: list[list[str]], sheet: str, *, comment: str) -> None:
    book = openpyxl.Workbook()
    page = book.active
    assert page is not None
    page.title = sheet
    for row in rows:
        page.append(row)
    page["A2"].comment = Comment(comment, comment)
    page["C5"] = date(1987, 4, 23)
    book.properties.creator = comment
    book.properties.title = comment
    book.save(path)


def test_the_search_finds_what_is_planted(tmp_path: Path) -> None:
    rows = table(PLANTED["name"])
    write_workbook(tmp_path / "x.xlsx", rows, "Quillfeather", comment=PLANTED["e-mail"])
    assert found_in_folder(tmp_path) == {"theodora", "quillfeather", "lantern-mail"}
    assert found_in(" ".join(PLANTED.values())) == set(NEEDLES)


@pytest.mark.parametrize("kind", PLANTED)
def test_nothing_planted_in_the_columns_of_a_text_file_or_its_name_gets_out(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], kind: str, count: Callable[[str, str, int], None]
) -> None:
    folder = tmp_path / "w"
    source = tmp_path / f"{PLANTED[kind].replace('/', '-')}.csv"
    lines = [",".join(f'"{cell}"' for cell in row) for row in table(PLANTED[kind])]
    source.write_text("\n".join(lines) + "\n", encoding="utf-8")
    main(["ingest", str(source), "--warehouse", str(folder)])
    assert said(capsys) == set()
    if folder.exists():
        assert found_in_folder(folder) == set()
    count("leaks looked for", "planted in columns and names of text files", len(GOOD) + 1)


def assert_everything_written_is_clean(folder: Path, out: Path, capsys: pytest.CaptureFixture[str]) -> None:
    warehouse = ["--warehouse", str(folder)]
    out.mkdir()
    for words in (
        ["quarantine"],
        ["quarantine", "--json"],
        ["quarantine", "--remarks", "--json"],
        ["quarantine", "--out", str(out / "quarantine.xlsx")],
        ["cases", "--out", str(out / "cases.csv")],
        ["report", "--out", str(out / "report.html")],
        ["verify"],
        ["backup", "--out", str(out / "backup")],
    ):
        assert main([*words, *warehouse]) == 0, words
        assert said(capsys) == set(), words
    assert len([path for path in out.rglob("*") if path.is_file()]) >= 6
    assert found_in_folder(out) == set()
    assert found_in_folder(folder) == set()


def test_nothing_planted_in_a_workbook_gets_out_by_any_command(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], count: Callable[[str, str, int], None]
) -> None:
    folder, source = tmp_path / "w", tmp_path / "Theodora Quillfeather 23.04.1987.xlsx"
    mild = [row for row in table("Quillfeather") if row[list(GOOD).index("clinician")] in {"clinician", "C1"}]
    write_workbook(source, mild, "Quillfeather 4711-98", comment=PLANTED["e-mail"])
    assert main(["ingest", str(source), "--warehouse", str(folder)]) == 0
    captured = capsys.readouterr()
    assert found_in(captured.out) | found_in(captured.err) == set()
    assert "turned away" in captured.out
    assert_everything_written_is_clean(folder, tmp_path / "out", capsys)
    count("leaks looked for", "planted in a workbook, its sheet, comments and properties", len(mild) + 5)


def test_on_the_owners_own_screen_files_bear_their_names_and_nothing_keeps_them(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(OWN_SCREEN, "1")
    folder, given = tmp_path / "w", tmp_path / "in"
    given.mkdir()
    rows = [row for row in table("x") if "x" not in row]
    write_workbook(given / "Theodora Quillfeather.xlsx", rows, "Quillfeather 4711-98", comment="none")
    (given / "Quillfeather too.xlsx").write_text("no workbook\n", encoding="utf-8")
    (given / "Quillfeather left.csv").write_text("one,two\n1,2\n", encoding="utf-8")
    assert main(["ingest", str(given), "--warehouse", str(folder)]) == 0
    captured = capsys.readouterr()
    assert "Theodora Quillfeather.xlsx (cases)" in captured.out
    assert "where: Quillfeather too.xlsx" in captured.out
    assert "where: Quillfeather left.csv" in captured.out
    assert "withheld" not in captured.out + captured.err
    wrong = given / "Quillfeather wrong.csv"
    wrong.write_text(ONE_ROW_WRONG, encoding="utf-8")
    assert main(["ingest", str(wrong), "--warehouse", str(folder)]) == 1
    capsys.readouterr()
    quarantine = ["quarantine", "--warehouse", str(folder)]
    assert main([*quarantine, "--source", str(wrong), "--rows"]) == 0
    assert "Quillfeather wrong.csv: row 2" in capsys.readouterr().out
    assert main(quarantine) == 0
    assert "Quillfeather" not in capsys.readouterr().out, "it lies elsewhere, and its name is kept nowhere"
    monkeypatch.chdir(given)
    assert main(quarantine) == 0
    assert "Quillfeather wrong.csv: row 2" in capsys.readouterr().out
    monkeypatch.delenv(OWN_SCREEN)
    assert main([*quarantine, "--source", str(wrong)]) == 0
    assert "Quillfeather" not in capsys.readouterr().out
    monkeypatch.setenv(OWN_SCREEN, "1")
    (tmp_path / "elsewhere").mkdir()
    monkeypatch.chdir(tmp_path / "elsewhere")
    together = tmp_path / "Quillfeather.toml"
    together.write_text(
        '[file]\ntogether = ["No"]\n[columns]\n"No" = "case_id"\n"Sex" = "sex"\n"Age" = "age_at_start"\n'
        '[constants]\nselection = "consecutive"\nstatus = "in_treatment"\ncomparison = "treated"\n'
        'phase_1_appliance_category = "fixed_labial"\n',
        encoding="utf-8",
    )
    for name, text in {
        "Theodora Q": "No,Sex\n1,f\n2,m\n",
        "Theodora R": "No,Age\n1,11.5\n2,12\n",
        "T": "a,b\n1,2\n",
    }.items():
        (tmp_path / f"{name}.csv").write_text(text, encoding="utf-8")
    paths = [str(path) for path in sorted(tmp_path.glob("*.csv"))]
    assert main(["ingest", *paths, "--mapping", str(together), "--warehouse", str(folder), "--again"]) == 0
    assert "Theodora Q.csv" in capsys.readouterr().out
    assert found_in_folder(folder) == set()
    assert_everything_written_is_clean(folder, tmp_path / "out", capsys)


def test_a_corrected_file_of_a_withheld_name_settles_its_rows(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder, source = tmp_path / "w", tmp_path / "Quillfeather.csv"
    names = list(GOOD)
    good = [GOOD[name].format(1) for name in names]
    bad = ["", *good[1:]]
    source.write_text("\n".join([",".join(names), ",".join(good), ",".join(bad)]) + "\n", encoding="utf-8")
    assert main(["ingest", str(source), "--warehouse", str(folder)]) == 0
    capsys.readouterr()
    assert main(["quarantine", "--json", "--warehouse", str(folder)]) == 0
    reasons = json.loads(capsys.readouterr().out)["reasons"]
    assert {reason["row"] for reason in reasons} == {3}
    assert all(reason["file"].startswith("name-withheld-") for reason in reasons)
    source.write_text("\n".join([",".join(names), ",".join(good)]) + "\n", encoding="utf-8")
    assert main(["ingest", str(source), "--warehouse", str(folder)]) == 0
    capsys.readouterr()
    assert main(["quarantine", "--json", "--warehouse", str(folder)]) == 0
    assert json.loads(capsys.readouterr().out)["reasons"] == []


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("cases.csv", "cases.csv"),
        ("cases 2024.xlsx", "cases 2024.xlsx"),
        ("harbour-visits-2.csv", "harbour-visits-2.csv"),
        ("Quillfeather.csv", "name-withheld.csv"),
        ("Quillfeather cases.CSV", "cases-name-withheld.csv"),
        ("23-04-1987.csv", "name-withheld.csv"),
        ("0048213.csv", "name-withheld.csv"),
        ("cases 0048213.csv", "cases-name-withheld.csv"),
        ("T Q.csv", "name-withheld.csv"),
        ("Übung.csv", "name-withheld.csv"),
        ("cases.Quillfeather", "cases-name-withheld"),
    ],
)
def test_a_file_name_is_kept_where_it_names_nobody(name: str, shown: str) -> None:
    assert shown_file_name(name, ("HARBOUR",)) == shown


def test_a_sheet_name_is_kept_where_it_names_nobody() -> None:
    assert shown_sheet_name("Sheet1") == "Sheet1"
    assert shown_sheet_name("Theodora") == "name-withheld"
    assert shown_sheet_name(None) is None


def test_withheld_names_are_told_apart_by_a_hash_that_needs_the_key() -> None:
    def kept(name: str, key: bytes) -> FileSource:
        return kept_source(shown_source(FileSource(name, "0" * 64, 1, "Theodora")), Keyer(key))

    one, again, other = kept("A B.csv", b"k" * 32), kept("A B.csv", b"k" * 32), kept("A C.csv", b"k" * 32)
    assert one.name == again.name
    assert len({one.name, other.name, kept("A B.csv", b"l" * 32).name}) == 3
    assert one.sheet is not None
    assert one.sheet.startswith("name-withheld-")
    assert "A B" not in repr(one)
