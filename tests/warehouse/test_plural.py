"""Numbers with their noun."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from warehouse.plural import number_of

ROOT = Path(__file__).parents[2]
BOTH = re.compile(r"\b[a-z]{3,}\((?:s|es|ies)\)(?! *for)")
CALLS = re.compile(r"\b(?:def |tuple|list|set|len|str|float|max|min|sum|sorted|exp|log|unique|float64)\w*\(s\)")


@pytest.mark.parametrize(
    ("n", "said"), [(0, "0 practices"), (1, "1 practice"), (7, "7 practices"), (2000, "2,000 practices")]
)
def test_the_noun_follows_its_number(n: int, said: str) -> None:
    assert number_of(n, "practice") == said


def test_what_goes_with_the_noun_follows_too() -> None:
    assert number_of(1, "case is", "cases are") == "1 case is"
    assert number_of(54, "case is", "cases are") == "54 cases are"


def test_no_text_leaves_singular_and_plural_to_the_reader() -> None:
    files = [path for name in ("warehouse", "pipelines", "dashboard") for path in (ROOT / name).rglob("*.py")]
    assert len(files) > 100
    found = [
        f"{path.name}: {line.strip()}"
        for path in files
        for line in path.read_text(encoding="utf-8").splitlines()
        if BOTH.search(CALLS.sub("", line)) and '"' in line
    ]
    assert found == []
