"""``menton report``: what is written where, and for whom."""

from __future__ import annotations

import argparse
from pathlib import Path

import pytest

from dashboard.report.write import default_audience, write_report
from pipelines.commands.declared import COMMANDS, add_options
from warehouse.errors import RequestError


def run(*words: str) -> int:
    parser = argparse.ArgumentParser()
    add_options(parser.add_subparsers().add_parser("report"), COMMANDS["report"])
    args = parser.parse_args(["report", *words])
    code: int = args.run(args)
    return code


def test_the_page_is_for_the_practice_unless_asked_otherwise(
    small_groups: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "report.html"
    assert run("--warehouse", str(small_groups), "--out", str(out), "--by", "extraction", "--title", "Ours") == 0
    page = out.read_text(encoding="utf-8")
    assert "<title>Ours</title>" in page
    assert "every count is whole" in page
    assert "HARBOUR" in page
    assert "Age at start" not in page
    assert "do not hand it on" in capsys.readouterr().out
    assert run("--warehouse", str(small_groups), "--out", str(out), "--for", "outside", "--by", "extraction") == 0
    page = out.read_text(encoding="utf-8")
    assert "Made to leave the practice" in page
    assert "HARBOUR" not in page


@pytest.mark.parametrize(
    ("name", "audience"),
    [("a.html", "practice"), ("a.pdf", "outside"), ("a.pptx", "outside"), ("a.xlsx", "outside"), ("a", "outside")],
)
def test_what_is_made_to_be_handed_round_hides_small_counts(name: str, audience: str) -> None:
    assert default_audience(Path(name)) == audience


def test_a_folder_gets_everything(small_groups: Path, tmp_path: Path) -> None:
    out = tmp_path / "meeting"
    assert run("--warehouse", str(small_groups), "--out", str(out), "--by", "extraction", "--definition", "D2") == 0
    names = {path.relative_to(out).as_posix() for path in out.rglob("*") if path.is_file()}
    assert {"report.html", "report.pdf", "slides.pptx", "tables.xlsx", "methods.md"} <= names
    assert {f"figures/extraction{ending}" for ending in (".svg", ".png", ".pdf")} <= names
    assert {"tables/extraction.csv", "tables/stages.csv", "tables/losses.csv", "tables/threshold.csv"} <= names
    assert "D2 v1.0.0" in (out / "methods.md").read_text(encoding="utf-8")


def test_one_practice_can_be_named(small_groups: Path, tmp_path: Path) -> None:
    out = tmp_path / "own.md"
    options = ("--practice", "HARBOUR", "--name-practice", "--by", "extraction")
    assert run("--warehouse", str(small_groups), "--out", str(out), *options) == 0
    assert "of one practice" in out.read_text(encoding="utf-8")


def test_strange_requests_are_refused_in_words(small_groups: Path, tmp_path: Path) -> None:
    with pytest.raises(RequestError, match=r"ending in '.docx'"):
        write_report(small_groups, tmp_path / "a.docx")
    with pytest.raises(RequestError, match="cannot be written"):
        write_report(small_groups, tmp_path / "nowhere" / "a.md")
    with pytest.raises(RequestError, match="cannot be grouped by 'shoe_size'"):
        write_report(small_groups, tmp_path / "a.html", comparisons=("shoe_size",))
