"""Identifiers planted in files of points and of one table each, in mappings and in names of files: none is found
in what any command says, keeps or writes, backups, records, slides and pages included."""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from pathlib import Path

import pytest
from pypdf import PdfReader

from pipelines.cli import main
from pipelines.group.container import unpack, unseal
from pipelines.group.keys import read_group_keys
from tests.faults.test_leaks import PLANTED, found_in, found_in_folder, said
from tests.hand_made import load_rows, made_case
from warehouse.private_files import beside

NAME = "Theodora Quillfeather 23.04.1987"
CASES = {
    "case_id": "c{}", "sex": "female", "age_at_start": "11.5", "selection": "consecutive", "status": "finished",
    "comparison": "treated", "clinician": "C1",
}  # fmt: skip
VISITS = {"case_id": "c{}", "timepoint": "start", "months_from_start": "0", "magnification_pct": "8"}
PHASES = {"case_id": "c{}", "phase_no": "1", "appliance_category": "fixed_labial", "months_duration": "20"}
POINTS = {
    "case_id": "c{}", "timepoint": "start", "view": "lateral_radiograph", "landmark": "S", "x": "10", "y": "20",
    "unit": "mm", "y_axis": "up", "faces": "right", "examiner": "E1", "repeat_no": "1",
}  # fmt: skip
TABLES = {"cases": CASES, "visits": VISITS, "phases": PHASES, "points": POINTS}


def write(path: Path, good: dict[str, str], planted: list[str]) -> Path:
    """Six good rows, and for each column and planted text a row with the text in it."""
    names = list(good)
    rows = [[good[name].format(n) for name in names] for n in range(6)]
    for at, _ in enumerate(names):
        for text in planted:
            row = [good[name].format(at % 6) for name in names]
            row[at] = text
            rows.append(row)
    lines = [",".join(f'"{cell}"' for cell in row) for row in [names, *rows]]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_nothing_planted_in_files_of_one_table_each_gets_out_by_any_command(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], count: Callable[[str, str, int], None]
) -> None:
    folder, given, out = tmp_path / "w", tmp_path / "given", tmp_path / "out"
    given.mkdir()
    out.mkdir()
    planted = [PLANTED["one word"], PLANTED["short number"]]
    n_planted = 0
    for table, good in TABLES.items():
        write(given / f"{NAME} {table}.csv", good, planted if table != "cases" else planted[1:])
        n_planted += len(good) * 2
    warehouse = ["--warehouse", str(folder)]
    for table in TABLES:
        main(["ingest", str(given / f"{NAME} {table}.csv"), *warehouse])
        assert said(capsys) == set(), table
    places = 0
    for words in (
        ["quarantine", "--json"],
        ["quarantine", "--out", str(out / "quarantine.xlsx")],
        ["cases", "--out", str(out / "cases.xlsx")],
        ["report", "--by", "extraction", "--for", "practice", "--out", str(out / "report")],
        ["backup", "--out", str(out / "backup")],
        ["verify"],
    ):
        assert main([*words, *warehouse]) == 0, words
        assert said(capsys) == set(), words
        places += 1
    pages = [
        page.extract_text() for path in out.rglob("*.pdf") for page in PdfReader(io.BytesIO(path.read_bytes())).pages
    ]
    assert pages
    assert found_in(" ".join(pages)) == set()
    assert found_in_folder(out) == found_in_folder(folder) == set()
    files = [path for place in (out, folder) for path in place.rglob("*") if path.is_file()]
    assert {"access.jsonl", "menton-backup.json"} <= {path.name for path in files}
    assert {".html", ".pdf", ".pptx", ".svg"} <= {path.suffix for path in files}
    count("leaks looked for", "planted in tables, files searched", len(files) + places)
    count("leaks looked for", "planted in tables, markers", n_planted)


def as_json(path: Path) -> Path:
    record = {name: value.format(1) for name, value in POINTS.items()}
    path.write_text(json.dumps([record, record]), encoding="utf-8")
    return path


@pytest.mark.parametrize("command", ["ingest", "measure", "draft-mapping"])
def test_no_command_says_the_name_of_a_file_it_is_given(
    command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], count: Callable[[str, str, int], None]
) -> None:
    damaged, twice = tmp_path / f"{NAME}.xlsx", tmp_path / f"{NAME} twice.csv"
    damaged.write_bytes(b"PK\x03\x04 no workbook")
    twice.write_text("a,a\n1,2\n", encoding="utf-8")
    more = ["--warehouse", str(tmp_path / "w")] if command == "ingest" else []
    points = write(tmp_path / f"{NAME} points.csv", POINTS, [])
    paths = [damaged, twice, tmp_path / f"{NAME} missing.csv", as_json(tmp_path / f"{NAME}.json"), points]
    for path in paths:
        main([command, str(path), *more])
        assert said(capsys) == set(), path.name
    count("leaks looked for", f"names of files given to {command}", len(paths))


def test_a_mapping_is_not_named_and_what_is_mapped_by_it_is_withheld(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], count: Callable[[str, str, int], None]
) -> None:
    source = write(tmp_path / "cases.csv", CASES, [])
    for number, text in enumerate(
        ("[file", "x = 1", '[file]\npractice = "Theodora Quillfeather"', '[columns]\n"a" = "b"')
    ):
        mapping = tmp_path / f"{NAME} {number}.toml"
        mapping.write_text(text + "\n", encoding="utf-8")
        assert main(["ingest", str(source), "--mapping", str(mapping), "--warehouse", str(tmp_path / "w")]) == 1
        assert said(capsys) == set(), text
    count("leaks looked for", "mappings", 4)


HEADINGS = {
    **PLANTED,
    "joined": "TheodoraQuillfeather",
    "small letters": "theodora_quillfeather",
    "capitals": "QUILLFEATHER",
    "after a word of the trade": "Patient Quillfeather",
    "before a time": "Quillfeather start",
    "in the place of a time": "sn_gogn_deg_quillfeather",
}


@pytest.mark.parametrize("kind", HEADINGS)
def test_no_command_repeats_a_name_that_stands_as_a_heading_or_key(
    kind: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], count: Callable[[str, str, int], None]
) -> None:
    text, folder = HEADINGS[kind], tmp_path / "w"
    table = write(tmp_path / "cases.csv", {**CASES, text: "x"}, [])
    keys = tmp_path / "keys.json"
    keys.write_text(json.dumps([{**{name: value.format(1) for name, value in POINTS.items()}, text: 1}]), "utf-8")
    for words in (["ingest", str(table), "--warehouse", str(folder)], ["measure", str(keys)]):
        assert main(words) == 1
        assert said(capsys) == set(), words[0]
    assert not folder.exists()
    count("leaks looked for", "headings and keys", 2)


def test_names_in_the_place_of_landmarks_are_not_repeated_or_kept(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], count: Callable[[str, str, int], None]
) -> None:
    of_record = {name: POINTS[name].format(1) for name in ("case_id", "timepoint", "view", "unit", "y_axis", "faces")}
    points, folder = tmp_path / "points.json", tmp_path / "w"
    named = {text: [3, 4] for text in HEADINGS.values()}
    points.write_text(json.dumps([{**of_record, "points": {"S": [1, 2], **named}}]), encoding="utf-8")
    for words in (["ingest", str(points), "--warehouse", str(folder)], ["measure", str(points)]):
        main(words)
        assert said(capsys) == set(), words[0]
    assert found_in_folder(folder) == set()
    count("leaks looked for", "names in the place of landmarks", 2 * len(named))


def test_a_heading_that_a_mapping_leaves_out_is_not_kept(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], count: Callable[[str, str, int], None]
) -> None:
    folder, mapping = tmp_path / "w", tmp_path / "mapping.toml"
    source = write(tmp_path / "cases.csv", {**CASES, "Quillfeather": "Theodora"}, [])
    columns = "".join(f'"{name}" = "{name}"\n' for name in CASES)
    mapping.write_text(
        f'[file]\nlayout = "wide"\n[columns]\n{columns}[ignored]\n"Quillfeather" = "of Theodora"\n', encoding="utf-8"
    )
    words = ["--mapping", str(mapping), "--warehouse", str(folder)]
    assert main(["ingest", str(source), *words]) == 0
    assert said(capsys) == set()
    assert found_in_folder(folder) == set()
    mapping.write_text(f'[file]\nlayout = "wide"\n[columns]\n{columns}"Theodora" = "cvm_stage"\n', encoding="utf-8")
    assert main(["ingest", str(source), *words]) == 1
    assert said(capsys) == set()
    count("leaks looked for", "mappings", 2)


@pytest.mark.parametrize("level", ["cases", "counts"])
def test_nothing_planted_is_in_a_contribution_or_the_records_of_a_group(
    level: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], count: Callable[[str, str, int], None]
) -> None:
    home, folder = tmp_path / "bay", tmp_path / "w"
    good = [
        made_case(f"c{n}", clinician="C1", sn_gogn_deg_start=32.0, sn_gogn_deg_finish=30.0 + n % 9) for n in range(60)
    ]
    load_rows(folder, good, practice="HARBOUR")
    planted = [PLANTED["one word"], PLANTED["short number"], PLANTED["date"]]
    table = write(tmp_path / f"{NAME}.csv", {**CASES, "case_id": "d{}"}, planted)
    main(["ingest", str(table), "--practice", "HARBOUR", "--warehouse", str(folder)])
    group, out = ["--group", str(home)], tmp_path / "mine.age"
    agreed = ["--variables", "sex,extraction", "--by", "extraction", "--years", "2000-2030", "--k", "3", "--level"]
    contribution = ["--agreement", str(tmp_path / "sent" / "invitation-001.json"), "--out", str(out), "--consent"]
    for words in (
        ["group", "init", *group, "--name", "Lantern Bay"],
        ["group", "agreement", *group, *agreed, level, "--warehouse", str(folder)],
        ["group", "invite", *group, "--count", "1", "--out", str(tmp_path / "sent")],
        ["contribute", "--warehouse", str(folder), "--level", level, *contribution],
        ["group", "take", *group, str(out)],
        ["group", "list", *group],
    ):
        assert main(words) == 0, words
        assert said(capsys) == set(), words
    contents = unpack(unseal(out.read_bytes(), read_group_keys(beside(home, "key"))))
    texts = [json.dumps(dict(contents.manifest)), *(data.decode("latin-1") for data in contents.members.values())]
    assert any("adverse" in text for text in texts)
    assert found_in(" ".join(texts)) == set()
    assert found_in_folder(home) == found_in_folder(folder) == set()
    assert all("HARBOUR" not in path.read_text("utf-8") for path in home.rglob("*.json*"))
    count("leaks looked for", f"planted before contributing {level}, parts of the file", len(texts))
