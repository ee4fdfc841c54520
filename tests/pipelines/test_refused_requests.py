"""Requests that would be answered with everything, with nothing, or with somebody else's file are refused in words."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from pipelines.cli import main
from pipelines.ingest.ingest import Request, ingest
from pipelines.reading.files import discover
from tests.hand_made import load_rows, made_case
from warehouse.engine.duck import _files
from warehouse.errors import BadFileError, EngineError, MappingError


@pytest.fixture(autouse=True)
def counted(count: Callable[[str, str, int], None]) -> None:
    count("attacks", "by requests: empty practices, unknown values, links out of the folder", 1)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("requests") / "w"
    load_rows(made, [made_case(f"c{n}", sn_gogn_deg_start=32.0, sn_gogn_deg_finish=33.0) for n in range(4)])
    return made


@pytest.mark.parametrize(
    "words",
    [
        ("ingest", "x.csv"),
        ("drift",),
        ("draw", "--number", "1", "--out", "x.svg"),
        ("repeats",),
        ("contribute",),
        ("report",),
    ],
    ids=lambda words: words[0],
)
@pytest.mark.parametrize("practice", ["", "  "])
def test_an_empty_practice_is_not_taken_for_all_of_them(
    words: tuple[str, ...], practice: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        main([*words, "--practice", practice])
    assert ended.value.code == 2
    assert "the practice is empty: name one, or leave the option out" in capsys.readouterr().err


def test_an_empty_practice_of_a_request_is_refused_too(tmp_path: Path) -> None:
    table = tmp_path / "cases.csv"
    table.write_text(
        "case_id,sex,selection,status,comparison\nc1,female,consecutive,finished,treated\n", encoding="utf-8"
    )
    with pytest.raises(MappingError, match="not given as a pseudonym"):
        ingest(Request(paths=(table,), warehouse=tmp_path / "w", practice=""))


@pytest.mark.parametrize("command", ["rate", "changes", "results", "missing"])
def test_a_value_that_no_case_has_is_refused(folder: Path, command: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([command, "--warehouse", str(folder), "--only", "practice=HARBUOR"]) == 1
    said = capsys.readouterr().err
    assert "no case has practice 'HARBUOR'" in said
    assert "expected: HARBOUR" in said
    assert "did you mean HARBOUR" in said
    assert main(["rate", "--warehouse", str(folder), "--only", "sex=other"]) == 0, "a code of the contract, of no case"


def test_repeats_of_a_practice_that_is_not_there_are_refused(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["repeats", "--warehouse", str(folder), "--practice", "NOSUCH"]) == 1
    assert "no case has practice 'NOSUCH'" in capsys.readouterr().err


def test_a_link_that_leaves_the_folder_is_not_followed(tmp_path: Path) -> None:
    inside, outside = tmp_path / "in", tmp_path / "out.csv"
    inside.mkdir()
    outside.write_text("case_id\nc1\n", encoding="utf-8")
    (inside / "own.csv").write_text("case_id\nc1\n", encoding="utf-8")
    (inside / "again.csv").symlink_to(inside / "own.csv")
    assert len(discover([inside])) == 1, "a link within the folder is the same file"
    (inside / "link.csv").symlink_to(outside)
    with pytest.raises(BadFileError, match="leads to a file outside it") as refused:
        discover([inside])
    assert refused.value.where == "link.csv"
    records = inside / "cases.parquet"
    records.mkdir()
    (records / "part.parquet").symlink_to(outside)
    with pytest.raises(EngineError, match="leads to a file outside their folder"):
        _files(records)


@pytest.mark.parametrize("command", ["rate", "changes", "compare", "corners", "missing", "characteristics"])
def test_a_second_grouping_is_refused_and_does_not_win(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main([command, "--by", "sex", "--by", "extraction"])
    assert ended.value.code == 2
    assert "--by is given twice; give it once" in capsys.readouterr().err


def test_cases_are_kept_by_the_name_of_a_grouping_too(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    said = []
    for name in ("appliance", "appliance_category"):
        assert main(["rate", "--warehouse", str(folder), "--only", f"{name}=fixed_labial", "--json"]) == 0
        said.append(capsys.readouterr().out)
    assert said[0] == said[1]
