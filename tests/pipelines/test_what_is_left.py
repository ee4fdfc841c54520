"""What is open after several attempts at one file, the bounds that hold what was turned away, and the worklist."""

from __future__ import annotations

import json
from pathlib import Path

import openpyxl
import polars as pl
import pytest

from pipelines.cli import main
from pipelines.deidentify.file_names import OWN_SCREEN
from tests.pipelines.test_case_numbers import HEADINGS, written
from warehouse.cases.worklist import worklist
from warehouse.marts.reader import Reader
from warehouse.questions.shares import rates
from warehouse.selection import Selection
from warehouse.upkeep.data_quality import data_quality
from warehouse.words.sentences import say
from warehouse.words.worklist import KINDS

N, LOST, NAMELESS = 90, 10, 2


def attempt(path: Path, wrong: range, *, nameless: int = 0) -> Path:
    """A file of 90 cases of which those in ``wrong`` have an impossible value and some more no case number."""
    written(path, [f"K{n:03}" for n in range(N)], seed=3)
    lines = path.read_text(encoding="utf-8").splitlines()
    for n in wrong:
        cells = lines[n + 1].split(",")
        lines[n + 1] = ",".join([*cells[:8], "395", *cells[9:]])
    for n in range(N - nameless, N):
        lines[n + 1] = "," + lines[n + 1].partition(",")[2]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three attempts at one file: 30 rows turned away, then 20, then 10 and two without a number."""
    home = tmp_path_factory.mktemp("left")
    for wrong, nameless in ((range(30), 3), (range(20), 2), (range(LOST), NAMELESS)):
        path = attempt(home / "cases.csv", wrong, nameless=nameless)
        assert main(["ingest", str(path), "--warehouse", str(home / "w")]) == 0
    return home


def reasons(home: Path, capsys: pytest.CaptureFixture[str], *more: str) -> list[dict[str, object]]:
    capsys.readouterr()
    assert main(["quarantine", "--json", "--warehouse", str(home / "w"), *more]) == 0
    found: list[dict[str, object]] = json.loads(capsys.readouterr().out)["reasons"]
    return found


def test_only_what_is_open_is_shown_and_command_and_page_say_the_same(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    found = reasons(home, capsys)
    assert {one["load"] for one in found} == {3}
    assert len({one["row"] for one in found}) == LOST + NAMELESS
    history = reasons(home, capsys, "--history")
    assert len({(one["load"], one["row"]) for one in history}) == 33 + 22 + 12
    with Reader.open(home / "w") as reader:
        quality = data_quality(reader, selection=Selection(selection="both"))
        assert quality.n_open == LOST + NAMELESS
        assert quality.n_cases_turned_away == LOST + NAMELESS
        assert sum(one.n_rows for one in quality.turned_away if one.rule.startswith("M-")) == LOST
        entries = worklist(reader, selection=Selection(selection="both")).frame
        assert entries.filter(task="turned_away").height == LOST + NAMELESS


def test_the_bounds_hold_the_cases_turned_away(home: Path) -> None:
    with Reader.open(home / "w") as reader:
        (row,) = rates(reader).groups
        (of_practice,) = rates(reader, by="practice").groups
        by_sex = rates(reader, by="sex").groups
    counted, adverse, lost = row.counted.n, row.adverse.n, LOST + NAMELESS
    assert counted == N - lost
    assert row.missing.n == 0
    # worst cases by hand: none, or all, of the twelve went adverse (Manski 1990, bounds of a mean with missing values)
    assert row.if_none.value == pytest.approx(adverse / N)
    assert row.if_all.value == pytest.approx((adverse + lost) / N)
    assert (of_practice.if_none.value, of_practice.if_all.value) == (row.if_none.value, row.if_all.value)
    for group in by_sex:  # of a row turned away nothing is known: it may belong to either group
        assert group.if_all.value == pytest.approx((group.adverse.n + lost) / (group.counted.n + lost))


def test_the_workbook_of_rows_turned_away_is_corrected_in_place_and_loads_back(
    home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    import shutil

    shutil.copytree(home, tmp_path, dirs_exist_ok=True)
    out = tmp_path / "turned-away.xlsx"
    place = ["--warehouse", str(tmp_path / "w")]
    assert main(["quarantine", "--out", str(out), "--source", str(tmp_path / "cases.csv"), *place]) == 0
    book = openpyxl.load_workbook(out)
    sheet = book["Rows 1"]
    headings = [cell.value for cell in sheet[1]]
    assert headings == ["menton row", "menton reasons", *HEADINGS.split(",")]
    number, plane = headings.index("case_id"), headings.index("sn_gogn_deg_start")
    for place_of, row in enumerate(sheet.iter_rows(min_row=2)):
        if row[number].value is None:
            row[number].value = f"new {place_of}"
        if row[plane].value == "395":
            row[plane].value = "34.5"
    book.save(out)
    capsys.readouterr()
    assert main(["ingest", str(out), *place]) == 0
    assert f"{LOST + NAMELESS} rows read = {LOST + NAMELESS} loaded + 0 turned away" in capsys.readouterr().out
    assert reasons(tmp_path, capsys) == []
    with Reader.open(tmp_path / "w") as reader:
        (row,) = rates(reader).groups
        assert row.started.n == N
        assert row.turned_away.n == 0
        assert row.unknown == 0
    assert main(["verify", *place]) == 0


def test_a_corrected_file_settles_what_earlier_ones_lost(
    home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    import shutil

    shutil.copytree(home, tmp_path, dirs_exist_ok=True)
    path = attempt(tmp_path / "cases.csv", range(0))
    assert main(["ingest", str(path), "--warehouse", str(tmp_path / "w")]) == 0
    assert reasons(tmp_path, capsys) == []


def test_the_worklist_bears_own_numbers_where_the_file_is_given(
    home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    place = ["--warehouse", str(home / "w")]
    assert main(["worklist", *place]) == 0
    said = capsys.readouterr().out
    assert "No radiograph or other record is to be taken for this audit" in said
    assert "Rows turned away: 12 entries" in said
    assert "K0" not in said
    for name, read in (("list.csv", pl.read_csv), ("list.xlsx", pl.read_excel)):
        out = tmp_path / name
        assert main(["worklist", "--source", str(home / "cases.csv"), "--out", str(out), *place]) == 0
        table = read(out)
        assert set(table["what"]) <= {say(what) for what, _ in KINDS.values()}
        with Reader.open(home / "w") as reader:
            (row,) = rates(reader).groups
        adverse = table.filter(pl.col("what") == say("worklist.adverse"))
        assert adverse.height == row.adverse.n
        assert adverse["case"].str.contains(r"^K\d{3}$").all()
        # the definition by hand, from the file itself: D1 counts a rise of two degrees beyond growth, so a fall is none
        given = pl.read_csv(home / "cases.csv").drop_nulls("case_id")
        rise = dict(zip(given["case_id"], given["sn_gogn_deg_finish"] - given["sn_gogn_deg_start"], strict=True))
        assert all(rise[case] > 0 for case in adverse["case"])


def test_cases_without_their_finish_records_are_due_and_long_treatments_are_asked_about(tmp_path: Path) -> None:
    path = tmp_path / "cases.csv"
    lines = [
        "A,female,11.2,2015-Q1,consecutive,in_treatment,treated,fixed_labial,31.5,28.0,,",
        "B,male,11.9,2015-Q1,consecutive,finished,treated,fixed_labial,33.5,29.0,,",
        "C,male,12.4,2015-Q1,consecutive,moved_away,treated,fixed_labial,30.5,25.0,,",
    ]
    path.write_text("\n".join([HEADINGS, *lines]) + "\n", encoding="utf-8")
    assert main(["ingest", str(path), "--warehouse", str(tmp_path / "w")]) == 0
    with Reader.open(tmp_path / "w") as reader:
        frame = worklist(reader, selection=Selection(selection="both")).frame
    due = frame.filter(pl.col("task").is_in(["records_due", "outcome_missing"])).select("task", "why").rows()
    assert sorted(due) == [
        ("outcome_missing", "moved_away"),
        ("records_due", "long_in_treatment"),
        ("records_due", "no_finish_records"),
    ]


def test_of_several_practices_it_must_be_said_whose_file_it_is(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    place = ["--warehouse", str(tmp_path / "w")]
    for practice, seed in (("HARBOUR", 1), ("QUARRY", 2)):
        path = written(tmp_path / f"{seed}.csv", ["1", "2"], seed=seed)
        assert main(["ingest", str(path), "--practice", practice, "--yes", *place]) == 0
    assert main(["worklist", "--source", str(tmp_path / "1.csv"), *place]) == 1
    assert "say with --practice whose file this is" in capsys.readouterr().err
    assert main(["worklist", "--practice", "QUARY", *place]) == 1
    assert "did you mean QUARRY?" in capsys.readouterr().err


def test_rows_without_a_number_are_counted_once_where_they_are_loaded(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = attempt(tmp_path / "cases.csv", range(0), nameless=2)
    assert main(["ingest", str(path), "--warehouse", str(tmp_path / "w")]) == 0
    said = capsys.readouterr().out
    assert "90 rows read = 88 loaded + 2 turned away" in said
    assert "       2  C-case_id-required: " in said
    assert said.count("-case_id-required") == 1


def test_files_named_in_what_was_found_bear_their_names_on_the_owners_own_screen(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    # one case in two files under names that could be persons'
    paths = [written(tmp_path / f"Quillfeather {name}.csv", ["K1"], seed=n) for n, name in enumerate(("too", "also"))]
    assert main(["ingest", *map(str, paths), "--warehouse", str(tmp_path / "w")]) == 1
    capsys.readouterr()
    monkeypatch.chdir(tmp_path)
    listed = ["quarantine", "--rows", "--warehouse", str(tmp_path / "w")]
    assert main(listed) == 0
    assert "Quillfeather" not in capsys.readouterr().out
    monkeypatch.setenv(OWN_SCREEN, "1")
    assert main(listed) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "withheld" not in said
    assert said.count("Quillfeather") >= 3
