"""Whose case it is: one number in any spelling, doubles and new practices stopped, and keys of before the rule."""

from __future__ import annotations

import random
from pathlib import Path

import polars as pl
import pytest

from pipelines.cli import main
from pipelines.deidentify.keyer import Keyer, case_numbers
from warehouse.private_files import beside
from warehouse.store.storage import Connection
from warehouse.store.store import STORE, open_store

HEADINGS = (
    "case_id,sex,age_at_start,start_quarter,selection,status,comparison,phase_1_appliance_category,sn_gogn_deg_start,"
    "fma_deg_start,sn_gogn_deg_finish,months_from_start_finish"
)


def written(path: Path, numbers: list[str], *, seed: int = 1, headings: str = HEADINGS) -> Path:
    """A file of invented cases; the same seed gives the same people."""
    rng = random.Random(seed)
    rows = [
        f"{number},{rng.choice(('male', 'female'))},{rng.uniform(8, 15):.2f},"
        f"{rng.randint(2015, 2020)}-Q{rng.randint(1, 4)},consecutive,finished,treated,fixed_labial,"
        f"{rng.uniform(25, 40):.1f},{rng.uniform(20, 35):.1f},{rng.uniform(25, 40):.1f},24"
        for number in numbers
    ]
    path.write_text("\n".join([headings, *rows]) + "\n", encoding="utf-8")
    return path


def ingested(folder: Path, path: Path, *more: str) -> int:
    return main(["ingest", str(path), "--warehouse", str(folder), *more])


def n_cases(folder: Path) -> int:
    with Connection(folder / STORE, read_only=True) as store:
        return int(store.value("select count(*) from cases where replaced_by is null"))


def content(folder: Path) -> list[tuple[object, ...]]:
    """Everything the store says of cases, so that "nothing was changed" can be looked at: each command is an event."""
    with Connection(folder / STORE, read_only=True) as store:
        tables = store.rows("select table_name from duckdb_tables() where table_name <> 'events' order by all")
        return [row for (table,) in tables for row in store.rows(f"select * from {table} order by all")]


# one number a line; the rule is the project's own (README, "What is kept"), so each line is written out by hand
@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("IT-1", "it-001", True),
        ("IT-1", " It - 1 ", True),
        ("7", "007", True),
        ("7", "7.0", True),
        ("7", "7,0", True),
        ("A 7", "a7", True),
        ("2019-0012", "2019-12", True),
        ("0", "000", True),
        ("7", "70", False),
        ("7", "0.7", False),
        ("1 12", "11 2", False),
        ("112", "1 12", False),
        ("IT-1", "IT1", False),
        ("A1", "B1", False),
        ("2021.10", "2021.1", False),
        ("100", "1", False),
        ("7.05", "7.5", False),
    ],
)
def test_two_spellings_are_one_number_by_the_rule_and_no_further(one: str, other: str, same: bool) -> None:
    first, second = case_numbers(pl.Series([one, other]))
    assert (first == second) is same


def test_a_file_with_the_numbers_typed_another_way_updates_its_cases(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "w"
    assert ingested(folder, written(tmp_path / "a.csv", [f"IT-{n:03}" for n in range(1, 11)])) == 0
    assert "case numbers: without spaces, capitals, zeros before a number" in capsys.readouterr().out
    assert ingested(folder, written(tmp_path / "b.csv", [f"it - {n}" for n in range(1, 11)])) == 0
    assert n_cases(folder) == 10


def test_two_spellings_in_one_file_are_not_put_together_without_a_word(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert ingested(tmp_path / "w", written(tmp_path / "a.csv", ["A1", "a1", "A2"])) == 0
    said = capsys.readouterr().out
    assert "1 written in another way than elsewhere in the file" in said
    assert "3 rows read = 1 loaded + 2 turned away" in said


def test_a_warehouse_made_before_the_rule_keeps_its_keys(tmp_path: Path) -> None:
    folder = tmp_path / "w"
    path = written(tmp_path / "a.csv", ["IT-001", "IT-002"])
    assert ingested(folder, path) == 0
    keyer = Keyer.from_file(beside(folder, "key"))
    before = {number: keyer.key("PRACTICE", number) for number in ("IT-001", "IT-002")}
    with open_store(folder) as store:  # as the loader of before the rule kept them: the number as it was typed
        for number, key in before.items():
            by_rule = keyer.keys("PRACTICE", pl.Series([number]))[0]
            store.execute("update case_registry set case_key = ? where case_key = ?", [key, by_rule])
    assert ingested(folder, written(tmp_path / "b.csv", ["IT-001", "IT-002", "IT-003"], seed=2)) == 0
    with Connection(folder / STORE, read_only=True) as store:
        keys = {key for (key,) in store.rows("select case_key from case_registry")}
    assert keys == {*before.values(), keyer.key("PRACTICE", "it-3")}


def test_a_new_practice_among_others_is_confirmed_once_and_changes_nothing_before(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "w"
    path = written(tmp_path / "a.csv", [f"{n}" for n in range(6)])
    assert ingested(folder, path, "--practice", "HARBOUR") == 0
    before = content(folder)
    other = written(tmp_path / "b.csv", [f"{n}" for n in range(6)], seed=2)
    assert ingested(folder, other, "--practice", "HARBOR") == 1
    said = capsys.readouterr().err
    assert "HARBOR is new in this warehouse, which holds HARBOUR (6 cases); did you mean HARBOUR?" in said
    assert "--yes" in said
    assert content(folder) == before
    assert ingested(folder, other, "--practice", "QUARRY", "--yes") == 0
    assert ingested(folder, written(tmp_path / "c.csv", ["20"], seed=3), "--practice", "QUARRY") == 0
    assert n_cases(folder) == 13


@pytest.mark.parametrize("practice", ["HARBOUR", "QUARRY"])
def test_cases_that_are_there_under_other_numbers_stop_the_load(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], practice: str
) -> None:
    folder = tmp_path / "w"
    assert ingested(folder, written(tmp_path / "a.csv", [f"IT-{n}" for n in range(20)]), "--practice", "HARBOUR") == 0
    assert ingested(folder, written(tmp_path / "q.csv", ["900"], seed=9), "--practice", "QUARRY", "--yes") == 0
    capsys.readouterr()
    before = content(folder)
    # eighteen of the same people under other numbers, and four others
    rows = written(tmp_path / "b.csv", [f"{n}" for n in range(100, 118)]).read_text(encoding="utf-8")
    others = written(tmp_path / "c.csv", [f"{n}" for n in range(200, 204)], seed=7).read_text(encoding="utf-8")
    both = tmp_path / "both.csv"
    both.write_text(rows + others.partition("\n")[2], encoding="utf-8")
    assert ingested(folder, both, "--practice", practice) == 1
    said = capsys.readouterr().err
    where = "other numbers" if practice == "HARBOUR" else "other numbers or practices"
    assert f"18 of 22 new cases are the same as cases of HARBOUR (18) under {where}" in said
    assert content(folder) == before
    assert ingested(folder, both, "--practice", practice, "--yes") == 0
    assert n_cases(folder) == 43


@pytest.mark.parametrize(("quarter", "n_same"), [("2019-Q2", 5), ("", 12)])
def test_a_file_of_one_measure_renumbered_is_stopped_too(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], quarter: str, n_same: int
) -> None:
    # with a quarter a fifth of the new cases is enough to ask; with age and one measure alone it takes half of them
    folder, draw = tmp_path / "w", random.Random(4)
    headings = "case_id,sex,age_at_start,start_quarter,selection,status,comparison,sn_gogn_deg_start"
    rows = [
        f"{draw.choice(('male', 'female'))},{draw.uniform(9, 14):.2f},{quarter},consecutive,in_treatment,treated,"
        f"{draw.uniform(26, 42):.1f}"
        for _ in range(40)
    ]

    def file(numbers: range, listed: list[str]) -> Path:
        path = tmp_path / "cases.csv"
        path.write_text("\n".join([headings, *(f"{n},{row}" for n, row in zip(numbers, listed, strict=True))]))
        return path

    assert ingested(folder, file(range(20), rows[:20])) == 0
    capsys.readouterr()
    assert ingested(folder, file(range(100, 120), [*rows[:n_same], *rows[20 : 40 - n_same]])) == 1
    assert f"{n_same} of 20 new cases are the same as cases of PRACTICE ({n_same})" in capsys.readouterr().err
    assert ingested(folder, file(range(100, 120), [*rows[:3], *rows[20:37]])) == 0, "three may be alike by chance"
    assert n_cases(folder) == 40


def test_other_people_of_the_same_age_and_sex_do_not_stop_a_load(tmp_path: Path) -> None:
    folder = tmp_path / "w"
    headings = "case_id,sex,age_at_start,selection,status,comparison"
    for seed in range(3):
        lines = [f"{seed}-{n},female,{9 + n % 4},consecutive,in_treatment,treated" for n in range(40)]
        path = tmp_path / f"{seed}.csv"
        path.write_text("\n".join([headings, *lines]) + "\n", encoding="utf-8")
        assert ingested(folder, path) == 0
    assert n_cases(folder) == 120


def test_own_numbers_are_found_in_any_spelling(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "w"
    path = written(tmp_path / "a.csv", [f"IT-{n:03}" for n in range(1, 6)])
    assert ingested(folder, path) == 0
    capsys.readouterr()
    out = tmp_path / "plan.csv"
    words = ["repeats", "--warehouse", str(folder), "--plan", "5", "--cases", str(path), "--out", str(out)]
    assert main([*words, "--seed", "1"]) == 0
    numbers = pl.read_csv(out)["case_id"].to_list()
    assert len(numbers) == 5
    assert set(numbers) <= {f"IT-{n:03}" for n in range(1, 6)}


def test_numbers_are_taken_as_they_are_written_where_a_mapping_says_so_and_stay_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder, path, mapping = tmp_path / "w", tmp_path / "a.csv", tmp_path / "own.toml"
    text = (
        '[columns]\n"No" = "case_id"\n"Sex" = "sex"\n"Age" = "age_at_start"\n[constants]\nselection = "consecutive"\n'
        'status = "in_treatment"\ncomparison = "treated"\nphase_1_appliance_category = "fixed_labial"\n'
    )
    mapping.write_text(f'[file]\nnumbers = "as written"\n{text}', encoding="utf-8")
    path.write_text("No,Sex,Age\n7,f,11.5\n007,m,12.5\na1,f,9\nA1,f,10\n", encoding="utf-8")
    practice = ["--practice", "HARBOUR"]
    assert ingested(folder, path, *practice, "--mapping", str(mapping)) == 0
    assert "case numbers: as they are written: capitals and zeros" in capsys.readouterr().out
    assert n_cases(folder) == 4
    mapping.write_text(text, encoding="utf-8")
    path.write_text("No,Sex,Age\n7,f,11.6\n007,m,12.6\nb1,f,9\n", encoding="utf-8")
    assert ingested(folder, path, *practice, "--mapping", str(mapping)) == 0
    assert "now or when the practice was first loaded" in capsys.readouterr().out
    assert n_cases(folder) == 5
    options = ["--warehouse", str(folder), "--yes"]
    assert main(["forget", "007", *practice, *options]) == 0
    assert n_cases(folder) == 4
    assert main(["rename-practice", "HARBOUR", "QUARRY", *options]) == 0
    path.write_text("No,Sex,Age\na1,f,9.1\nA1,f,10.1\n007,m,12.7\n", encoding="utf-8")
    assert ingested(folder, path, "--practice", "QUARRY", "--mapping", str(mapping)) == 0
    assert n_cases(folder) == 5


def test_numbers_read_by_the_rule_do_not_become_others_later(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder, mapping = tmp_path / "w", tmp_path / "own.toml"
    path = written(tmp_path / "a.csv", ["A-01", "A-2"])
    assert ingested(folder, path) == 0
    before = content(folder)
    names = "\n".join(f'"{name}" = "{name}"' for name in HEADINGS.split(","))
    mapping.write_text(f'[file]\nnumbers = "as written"\n[columns]\n{names}\n', encoding="utf-8")
    assert ingested(folder, path, "--mapping", str(mapping)) == 1
    assert "read by the rule since its first load" in capsys.readouterr().err
    assert content(folder) == before


def test_a_folder_loads_what_it_can_read_and_names_the_rest(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "in"
    folder.mkdir()
    written(folder / "cases.csv", [f"P{n}" for n in range(4)])
    (folder / "broken.xlsx").write_bytes(b"PK no workbook")
    options = ["--warehouse", str(tmp_path / "w"), "--practice", "HARBOUR"]
    assert main(["ingest", str(folder), *options]) == 0
    said = capsys.readouterr().out
    assert "4 rows read = 4 loaded + 0 turned away" in said
    assert "not read, and left out: " in said
    assert "xlsx" in said
    assert main(["ingest", str(folder / "broken.xlsx"), *options]) == 1, "a file that is named is not passed over"


def test_a_file_of_a_folder_that_the_mapping_does_not_fit_leaves_the_others_to_be_loaded(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder, mapping = tmp_path / "in", tmp_path / "own.toml"
    folder.mkdir()
    mapping.write_text(
        '[file]\ndate_order = "dmy"\n[columns]\n"No" = "case_id"\n"Sex" = "sex"\n"Age" = "age_at_start"\n'
        '"Start" = "start_date"\n[constants]\nselection = "consecutive"\nstatus = "in_treatment"\n'
        'comparison = "treated"\nphase_1_appliance_category = "fixed_labial"\n',
        encoding="utf-8",
    )
    good = "No,Sex,Age,Start\n1,f,11.5,25.03.2019\n2,m,12.5,26.03.2019\n"
    for name, text in {
        "cases.csv": good,
        "columns.csv": good.replace("Age", "Height"),
        "dates.csv": good.replace("25.03", "03.25").replace("26.03", "03.26"),
        "workbook.xlsx": "this was once a workbook\n",
    }.items():
        (folder / name).write_text(text, encoding="utf-8")
    command = ["ingest", "--warehouse", str(tmp_path / "w"), "--practice", "HARBOUR", "--mapping", str(mapping)]
    assert main([*command, str(folder)]) == 0
    said = capsys.readouterr().out
    assert "2 rows read = 2 loaded" in said
    assert said.count("not read, and left out: ") == said.count("what to do: ") == 3
    assert "Height" in said
    assert "contradict the stated order dmy" in said
    assert "no readable workbook file" in said
    assert n_cases(tmp_path / "w") == 2
    for name in ("columns.csv", "dates.csv"):
        assert main([*command, str(folder / name)]) == 1, "a file that is named is refused"
    (folder / "cases.csv").unlink()
    capsys.readouterr()
    assert main([*command, str(folder)]) == 1
    assert "what to do" in capsys.readouterr().err


def test_a_remembered_mapping_reads_its_file_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path, mapping = tmp_path / "cases.csv", tmp_path / "own.toml"
    mapping.write_text(
        '[file]\nheader_row = 2\ndecimal = ","\n[columns]\n"No" = "case_id"\n"Sex" = "sex"\n"Age" = "age_at_start"\n'
        '[constants]\nselection = "consecutive"\nstatus = "in_treatment"\ncomparison = "treated"\n',
        encoding="utf-8",
    )
    path.write_text("The list;of;words\nNo;Sex;Age\n1;f;11,5\n2;m;12,5\n", encoding="utf-8")
    command = ["ingest", "--warehouse", str(tmp_path / "w"), "--practice", "HARBOUR", str(path)]
    assert main([*command, "--mapping", str(mapping)]) == 0
    path.write_text("The list;of;words\nNo;Sex;Age\n3;f;11,5\n4;m;12,5\n", encoding="utf-8")
    capsys.readouterr()
    assert main(command) == 0
    captured = capsys.readouterr()
    assert "2 rows read = 2 loaded" in captured.out
    assert captured.err.count("reading cases.csv") == 1
    assert n_cases(tmp_path / "w") == 4


def test_a_thousand_unknown_columns_get_one_message(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    headings = ["case_id", *(f"Zq{n}" for n in range(1000))]
    path = tmp_path / "cases.csv"
    path.write_text("\n".join([",".join(headings), ",".join(["A1", *["1"] * 1000])]), encoding="utf-8")
    assert main(["ingest", str(path), "--warehouse", str(tmp_path / "w"), "--practice", "HARBOUR"]) == 1
    said = capsys.readouterr().err
    assert "1,000 further columns are not decided" in said
    assert len(said.splitlines()) < 30
