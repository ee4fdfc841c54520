"""Tables of growth: what is well formed becomes a reference, what is not is refused by row."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipelines.ingest.growth_table import read_growth_table
from tests.warehouse.growth.curves import expected_change, mean_at
from warehouse.errors import DefinitionError
from warehouse.measures.catalogue import CATALOGUE
from warehouse.outcomes.growth_reference import GrowthReference

GOOD = "measure,sex,age,mean,sd,change_sd\nlafh_mm,female,8,58,3.5,0.4\nlafh_mm,female,12,62,3.9,0.4\n"


def read(folder: Path, text: str, name: str = "table.csv", **options: str) -> GrowthReference:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return read_growth_table(path, measures=CATALOGUE, version="1.0.0", **{"source": "made up", **options})


def test_means_and_spreads_by_age(tmp_path: Path) -> None:
    found = read(tmp_path, GOOD, label="Ours", identifier="OWN")
    assert (found.name, found.label, found.provenance) == ("OWN v1.0.0", "Ours", "imported table; made up")
    (curve,) = found.curves
    assert expected_change(curve, 8.0, 10.0) == pytest.approx(2.0)
    assert (mean_at(curve, 10.0), curve.sds) == (pytest.approx(60.0), (3.5, 3.9))
    assert (curve.slope_sd, curve.slope_se) == (0.4, None)


def test_l_m_and_s_by_age(tmp_path: Path) -> None:
    text = "measure,sex,age,L,M,S\nlafh_mm,any,8,-0.2,58,0.06\nlafh_mm,any,12,0,62,0.06\n"
    (curve,) = read(tmp_path, text).curves
    assert curve.means == (58.0, 62.0)
    assert curve.lms == ((-0.2, 58.0, 0.06), (0.0, 62.0, 0.06))
    assert mean_at(curve, 8.0) == 58.0


def test_semicolons_decimal_commas_and_spellings_of_sex(tmp_path: Path) -> None:
    text = "measure;sex;age;mean\nlafh_mm;F;8,5;58,25\nlafh_mm;f;12;62\nlafh_mm;M;8;60\nlafh_mm;1;12;64\n"
    found = read(tmp_path, text)
    assert [(curve.sex, curve.ages, curve.means) for curve in found.curves] == [
        ("female", (8.5, 12.0), (58.25, 62.0)),
        ("male", (8.0, 12.0), (60.0, 64.0)),
    ]
    assert all(curve.sds == () for curve in found.curves)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (GOOD.replace(",12,", ",8,"), "the ages do not rise: 8 is followed by 8"),
        (GOOD.replace(",12,", ",7,"), "the ages do not rise: 8 is followed by 7"),
        (GOOD.replace("lafh_mm,female,12", "lafh_nm,female,12"), "lafh_mm"),
        (GOOD.replace("female,12", "girl,12"), "the sex is not understood"),
        (GOOD.replace(",62,", ",620,"), "the plausible range of the measure"),
        (GOOD.replace(",62,", ",x,"), "'mean' is not a number"),
        (GOOD.replace(",62,", ",,"), "the row gives no middle, or gives it twice"),
        (GOOD.replace("3.9", "0"), "'sd' is not above 0"),
        (GOOD.replace("3.9", ""), "some rows give their spread and others do not"),
        (GOOD.replace("3.9,0.4", "3.9,0.5"), "'change_sd' differs between ages"),
        (GOOD.replace("change_sd", "patient"), "there is no column 'patient'"),
        (GOOD.replace("female,12", "male,12"), "there is a single age"),
        (GOOD.replace(",12,", ",,"), "the age is missing or impossible"),
    ],
)
def test_a_slip_is_refused_with_its_place(tmp_path: Path, text: str, expected: str) -> None:
    with pytest.raises(DefinitionError) as refusal:
        read(tmp_path, text)
    assert expected in str(refusal.value)
    assert "table.csv" in refusal.value.where or refusal.value.where == "measure code"


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("[[row", "cannot be read"),
        ('source = "x"\nrows = 3\n', "'rows' is not understood"),
        ('source = "x"\n', "the table has no rows"),
        ("[[row]]\nmeasure = 'lafh_mm'\nsex = 'any'\nage = true\nmean = 50.0\n", "'age' is not a number"),
    ],
)
def test_a_toml_table_that_is_none_is_refused(tmp_path: Path, text: str, expected: str) -> None:
    with pytest.raises(DefinitionError, match=expected):
        read(tmp_path, text, name="table.toml")
