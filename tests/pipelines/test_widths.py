"""What commands print fits 80 columns without breaking a word, and uses a wider terminal."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from contextlib import redirect_stderr, redirect_stdout
from importlib import import_module
from io import StringIO
from pathlib import Path
from pkgutil import iter_modules

import pytest

import pipelines.commands
from pipelines.cli import COMMANDS, main
from pipelines.commands.options import print_table
from pipelines.ingest.ingest import Request, ingest
from tests.conftest import Study
from tests.hand_made import load_rows
from tests.pipelines.points.test_measure_command import G1, rows_of
from tests.pipelines.test_json_keys import ONE_ROW_WRONG, RUNS
from tests.warehouse.questions.cohort import cohort_rows
from tests.warehouse.questions.planning import add_plan

Table = tuple[str, Sequence[str], list[list[str]], Sequence[int]]
OF_ONE = ("--plan", "drift")
"""Of a plan that only the hand-made cases have; of one practice, while the study group has several."""


def tables_noted(monkeypatch: pytest.MonkeyPatch) -> list[Table]:
    """Every table that is printed from now on: as it is given to be printed."""
    found: list[Table] = []

    def noted(title: str, columns: Sequence[str], rows: Iterable[Sequence[str]], *, right: Sequence[int] = ()) -> None:
        found.append((title, columns, [[str(cell) for cell in row] for row in rows], right))

    names = {command["run"].partition(":")[0] for command in COMMANDS.values()}
    names |= {f"pipelines.commands.{one.name}" for one in iter_modules(pipelines.commands.__path__)}
    for module in map(import_module, names - {"pipelines.commands.options"}):
        if hasattr(module, "print_table"):
            monkeypatch.setattr(module, "print_table", noted)
    return found


def assert_fitting(tables: Sequence[Table], width: int) -> list[str]:
    """No line is too long, and no word is broken or left out; gives what is printed at this width."""
    shown = []
    for title, columns, cells, right in tables:
        with pytest.MonkeyPatch.context() as patched, redirect_stdout(StringIO()) as out:
            patched.setenv("COLUMNS", str(width))
            print_table(title, columns, cells, right=right)
        printed = out.getvalue()
        assert max(map(len, printed.splitlines())) <= width, printed
        named = [name for at, name in enumerate(columns) if at and any(row[at].strip() for row in cells)]
        whole = bare(" ".join([*named, *(cell for row in cells for cell in row)]))
        assert whole <= bare(printed), whole - bare(printed)
        shown.append(printed)
    return shown


class Terminal(StringIO):
    """A place to print that says it is a terminal."""

    def isatty(self) -> bool:
        return True


def bare(text: str) -> set[str]:
    """The words of a text, without the marks that part the entries of a row set under itself."""
    return {word.strip(";,") for word in text.split()}


@pytest.fixture(scope="module")
def tables(study: Study, tmp_path_factory: pytest.TempPathFactory) -> list[Table]:
    """The tables of every command: what is in them does not depend on how wide they are printed."""
    place = tmp_path_factory.mktemp("widths")
    one = place / "one"
    load_rows(one, cohort_rows(120))
    add_plan(one)
    (place / "wrong.csv").write_text(ONE_ROW_WRONG, encoding="utf-8")
    ingest(Request(paths=(place / "wrong.csv",), warehouse=place / "w"))
    points = place / "points.csv"
    rows = rows_of("17", "start", G1)
    points.write_text("\n".join([",".join(rows[0]), *(",".join(map(str, row.values())) for row in rows)]))
    runs = [run for run in RUNS if not set(run).intersection(OF_ONE)]
    runs += [("rate", "--by", "appliance_category"), ("characteristics", "--by", "appliance_category"), ("repeats",)]
    runs += [("worklist",), ("records", "--layout"), ("growth", "--fit"), ("repeats", "--examiners"), ("rate",)]
    runs += [("records", "--out", str(place / "records"))]
    asked = [[name, "--warehouse", str(study.warehouse), *options] for name, *options in runs]
    asked += [[run[0], "--warehouse", str(one), *run[1:]] for run in RUNS if set(run).intersection(OF_ONE)]
    asked += [["quarantine", "--rows", "--warehouse", str(place / "w")], ["measure", str(points)]]
    with pytest.MonkeyPatch.context() as patched, redirect_stdout(StringIO()):
        found = tables_noted(patched)
        for words in asked:
            assert main(words) == 0, words
    return found


@pytest.mark.parametrize("width", [80, 120])
def test_tables_of_every_command_fit_without_breaking_a_word(width: int, tables: list[Table]) -> None:
    assert len(tables) > 15
    printed = assert_fitting(tables, width)
    assert width == 80 or max(len(line) for one in printed for line in one.splitlines()) > 80


def test_what_is_said_beside_the_answer_fits_a_terminal_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    own = tmp_path / f"{'a list of cases with a long name ' * 3}.csv"
    own.write_text(ONE_ROW_WRONG.replace("sn_gogn_deg_finish", "mandibular plane at the very end of treatment"))
    with redirect_stdout(Terminal()), redirect_stderr(Terminal()) as said:
        assert main(["ingest", str(own), "--warehouse", str(tmp_path / "w")]) == 1
        assert main(["draft-mapping", str(own)]) == 0
        assert main(["rate", "--warehouse", str(tmp_path / "none"), "--definition", "D1"]) == 1
    lines = said.getvalue().splitlines()
    assert f"reading {own.name}" in " ".join(" ".join(lines).split())
    assert "menton: the columns of the file do not fit; nothing of it was read:" in lines
    assert any(line.startswith("  what to do: ") for line in lines)
    assert max(map(len, lines)) <= 80


def test_what_is_turned_away_is_summed_up_first_and_listed_on_request(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    head, row = ONE_ROW_WRONG.splitlines()
    rows = [row.replace("a,", f"{n},", 1) for n in range(18)]
    (tmp_path / "wrong.csv").write_text("\n".join([head, *rows]), encoding="utf-8")
    ingest(Request(paths=(tmp_path / "wrong.csv",), warehouse=tmp_path / "w"))
    assert main(["quarantine", "--warehouse", str(tmp_path / "w")]) == 0
    said = capsys.readouterr().out
    assert len(said.splitlines()) < 14
    assert "18 rows: " in said
    assert "what to do: " in said
    assert "wrong.csv: row 2, 3, 4, 5, 6, 7, 8, 9 and 10 more" in said
    assert main(["quarantine", "--rows", "--warehouse", str(tmp_path / "w")]) == 0
    listed = capsys.readouterr().out
    assert listed.count("sn_gogn_deg_finish") >= 18
    assert said.splitlines()[1] in listed
