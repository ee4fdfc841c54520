"""A practice adds its own measures; mistakes in the file are named."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from warehouse.errors import DefinitionError
from warehouse.marts.catalogues import in_force, measure_body, register
from warehouse.measures.catalogue import CATALOGUE, load_own_measures
from warehouse.measures.geometry import compute
from warehouse.store.store import open_store

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


def with_formula(formula: str, *, unit: str = "mm") -> str:
    code = {"mm": "tongue_space_mm", "degrees": "own_plane_deg", "percent": "own_share_pct"}[unit]
    text = GOOD.replace("tongue_space_mm", code).replace('unit = "mm"', f'unit = "{unit}"')
    return f'{text}formula = "{formula}"\n'


def test_a_formula_over_points_makes_an_own_measure(tmp_path: Path, g1: dict[str, tuple[float, float]]) -> None:
    (own,) = load_own_measures(_file(tmp_path, with_formula("distance(S-Ar)")))
    assert (own.views, own.needs_scale, own.on_film) == (("lateral_radiograph",), True, True)
    (angle,) = load_own_measures(
        _file(tmp_path, with_formula(" planes(S-N, Go-Me) - planes(S-N, Go-Gn) ", unit="degrees"))
    )
    assert (angle.needs_scale, angle.on_film) == (False, False)
    (photo,) = load_own_measures(_file(tmp_path, with_formula("ratio(Sn-Gn', ZyR-ZyL)", unit="percent")))
    assert photo.views == ("frontal_photo",)
    # worked on face G1: SN-GoMe 36.265 less SN-GoGn 31.947, and S (0, 0) to Ar (-15, -34)
    rows = [
        {"case_id": "a", "timepoint": "start", "view": "lateral_radiograph", "landmark": code, "x": x, "y": y,
         "unit": "mm", "y_axis": "up", "faces": "right", "examiner": "E1", "repeat_no": 1}
        for code, (x, y) in g1.items()
    ]  # fmt: skip
    found = compute(pl.DataFrame(rows), measures={one.code: one for one in (own, angle)})
    got = dict(found.select("measure", "value").iter_rows())
    assert got["own_plane_deg"] == pytest.approx(36.265 - 31.947, abs=1e-3)
    assert got["tongue_space_mm"] == pytest.approx((15**2 + 34**2) ** 0.5)


def test_a_formula_is_kept_and_read_again_as_it_was_written(tmp_path: Path) -> None:
    (own,) = load_own_measures(_file(tmp_path, with_formula("distance(U6/L6-U1T/L1T)")))
    with open_store(tmp_path / "w", create=True) as store:
        register(store, "measure", own.code, "1", measure_body(own))
        assert in_force(store).measures[own.code] == own


@pytest.mark.parametrize(
    ("formula", "found"),
    [
        ("__import__('os').system('x')", "'__import__' is none of"),
        ("S.__class__", "is not a term"),
        ("distance(S-Ar) + 3", "is not a term"),
        ("distance(S-Ar) distance(S-Go)", "is not a term"),
        ("distance(S-XX)", "'XX' is not a landmark"),
        ("distance(S)", "'S' is not a line"),
        ("distance(S-N, Go-Me)", "takes 1 arguments, not 2"),
        ("surface(S-N)", "'surface' is none of"),
        ("planes(S-N, Go-Me)", "makes degrees and the measure is in mm"),
        ("distance(S-Ar) + planes(S-N, Go-Me)", "differ in unit"),
        ("distance(ZyR-S)", "No view shows all of"),
        ("total(uk)", "makes a total"),
        ("+".join(["distance(S-Ar)"] * 11), "from 1 to 10"),
        ("", "from 1 to 10"),
    ],
)
def test_a_formula_that_is_not_understood_is_refused(tmp_path: Path, formula: str, found: str) -> None:
    with pytest.raises(DefinitionError) as caught:
        load_own_measures(_file(tmp_path, with_formula(formula)))
    assert found in str(caught.value)
