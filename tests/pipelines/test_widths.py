"""What commands print fits 80 columns without breaking a word, and uses a wider terminal."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from contextlib import redirect_stdout
from importlib import import_module
from io import StringIO
from pathlib import Path

import pytest

from pipelines.cli import COMMANDS, main
from pipelines.commands.options import print_table
from pipelines.ingest.ingest import Request, ingest
from tests.conftest import Study
from tests.pipelines.points.test_measure_command import G1, rows_of
from tests.pipelines.test_json_keys import ONE_ROW_WRONG, RUNS

Table = tuple[Sequence[str], list[list[str]], str]
NOT_HERE = ("--plan", "drift")
"""Of a plan that only the hand-made cases have; of one practice, while the study group has several."""


@pytest.fixture
def tables(monkeypatch: pytest.MonkeyPatch) -> list[Table]:
    """Every table that is printed: columns, rows, and what was printed."""
    found: list[Table] = []

    def noted(title: str, columns: Sequence[str], rows: Iterable[Sequence[str]], *, right: Sequence[int] = ()) -> None:
        held = [[str(cell) for cell in row] for row in rows]
        with redirect_stdout(StringIO()) as out:
            print_table(title, columns, held, right=right)
        found.append((columns, held, out.getvalue()))

    for module in {import_module(module.partition(":")[0]) for module, _ in COMMANDS.values()}:
        if hasattr(module, "print_table"):
            monkeypatch.setattr(module, "print_table", noted)
    return found


def bare(text: str) -> set[str]:
    """The words of a text, without the marks that part the entries of a row set under itself."""
    return {word.strip(";,") for word in text.split()}


@pytest.mark.parametrize("width", [80, 120])
def test_tables_of_every_command_fit_without_breaking_a_word(
    width: int, study: Study, tmp_path: Path, tables: list[Table], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", str(width))
    (tmp_path / "wrong.csv").write_text(ONE_ROW_WRONG, encoding="utf-8")
    ingest(Request(paths=(tmp_path / "wrong.csv",), warehouse=tmp_path / "w"))
    points = tmp_path / "points.csv"
    rows = rows_of("17", "start", G1)
    points.write_text("\n".join([",".join(rows[0]), *(",".join(map(str, row.values())) for row in rows)]))
    runs = [run for run in RUNS if not set(run).intersection(NOT_HERE)]
    runs += [("rate", "--by", "appliance_category"), ("characteristics", "--by", "appliance_category"), ("repeats",)]
    runs += [("worklist",)]
    asked = [[name, "--warehouse", str(study.warehouse), *options] for name, *options in runs]
    asked += [["quarantine", "--rows", "--warehouse", str(tmp_path / "w")], ["measure", str(points)]]
    with redirect_stdout(StringIO()):
        for words in asked:
            assert main(words) == 0, words
    assert len(tables) > 15
    for columns, cells, printed in tables:
        assert max(map(len, printed.splitlines())) <= width, printed
        named = [name for at, name in enumerate(columns) if at and any(row[at].strip() for row in cells)]
        whole = bare(" ".join([*named, *(cell for row in cells for cell in row)]))
        assert whole <= bare(printed), whole - bare(printed)
    assert width == 80 or max(len(line) for *_, printed in tables for line in printed.splitlines()) > 80


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
