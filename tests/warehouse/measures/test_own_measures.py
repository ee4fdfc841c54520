"""A practice adds its own measures; mistakes in the file are named."""

from __future__ import annotations

from pathlib import Path

import pytest

from warehouse.errors import DefinitionError
from warehouse.measures.catalogue import CATALOGUE, load_own_measures

GOOD = """
[[measure]]
code = "tongue_space_mm"
label = "Tongue space"
definition = "Distance from the tongue tip to the palate at rest."
unit = "mm"
plausible = [0, 40]
usual = [2, 25.5]
up_means = "lower tongue posture"
sign = 0
source = "practice protocol"
"""


def _file(folder: Path, text: str) -> Path:
    path = folder / "own.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_an_own_measure_joins_the_catalogue(tmp_path: Path) -> None:
    (own,) = load_own_measures(_file(tmp_path, GOOD))
    assert (own.code, own.unit, own.plausible, own.usual, own.sign) == (
        "tongue_space_mm",
        "mm",
        (0.0, 40.0),
        (2.0, 25.5),
        0,
    )
    assert own.family == "own"
    assert own.formula is None
    assert own.source == "practice protocol"
    merged = CATALOGUE.with_own([own])
    assert merged.measure("tongue_space_mm") is own
    assert len(merged) == len(CATALOGUE) + 1
    assert "tongue_space_mm" not in CATALOGUE


def test_an_empty_file_adds_nothing(tmp_path: Path) -> None:
    assert load_own_measures(_file(tmp_path, "")) == ()


def test_one_plain_table_counts_as_one_measure(tmp_path: Path) -> None:
    (own,) = load_own_measures(_file(tmp_path, GOOD.replace("[[measure]]", "[measure]")))
    assert own.code == "tongue_space_mm"


def test_a_built_in_measure_cannot_be_replaced(tmp_path: Path) -> None:
    own = load_own_measures(_file(tmp_path, GOOD.replace("tongue_space_mm", "lafh_mm")))
    with pytest.raises(DefinitionError, match="'lafh_mm' is defined twice"):
        CATALOGUE.with_own(own)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('unit = "mm"', 'unit = "cm"', "'cm' is not a unit"),
        ("tongue_space_mm", "tongue_space_deg", "cannot be the code of a measure in mm"),
        ("tongue_space_mm", "Tongue_mm", "cannot be the code"),
        ("plausible = [0, 40]", "plausible = [40, 0]", "does not run from low to high"),
        ("plausible = [0, 40]", "plausible = [0]", "not a pair of numbers"),
        ("plausible = [0, 40]", "plausible = [0, true]", "not a pair of numbers"),
        ("plausible = [0, 40]", "plausible = [0, inf]", "not a pair of numbers"),
        ("plausible = [0, 40]", "plausible = [5, 40]", "does not lie within the plausible range"),
        ("sign = 0", "sign = 2", "'sign' is not -1, 0 or 1"),
        ("sign = 0", "sign = true", "'sign' is not -1, 0 or 1"),
        ('label = "Tongue space"', 'label = " "', "'label' is empty"),
        ('source = "practice protocol"', "", "lacks source"),
        ("sign = 0", "sign = 0\nsgn = 1", "'sgn' is not a field"),
        ("[[measure]]", "[[mesure]]", "did you mean measure"),
    ],
)
def test_a_mistake_is_named_with_its_place(tmp_path: Path, old: str, new: str, said: str) -> None:
    with pytest.raises(DefinitionError, match=said) as caught:
        load_own_measures(_file(tmp_path, GOOD.replace(old, new)))
    assert "own.toml" in caught.value.where


def test_a_list_of_something_else_is_refused(tmp_path: Path) -> None:
    with pytest.raises(DefinitionError, match="not a table"):
        load_own_measures(_file(tmp_path, "measure = [1]"))


@pytest.mark.parametrize("content", [b"measure = [", b"label = '\xff'"])
def test_a_file_that_is_no_toml_is_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "own.toml"
    path.write_bytes(content)
    with pytest.raises(DefinitionError, match="cannot be read"):
        load_own_measures(path)
    with pytest.raises(DefinitionError, match="cannot be read"):
        load_own_measures(tmp_path / "none.toml")
