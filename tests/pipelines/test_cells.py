"""Cells turned into values: numbers, codes, teeth, quarters, text."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime
from decimal import Decimal
from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.cells.codes import teeth_text
from pipelines.cells.numbers import decimal_of
from pipelines.cells.reading import read_cells
from pipelines.cells.understood import Expected
from pipelines.contract.contract import TOOTH_CODES
from pipelines.contract.targets import Targets
from pipelines.contract.units import factor
from pipelines.reading.decimals import find_marks
from tests.raw_tables import CONTRACT, TODAY
from warehouse.errors import BadFileError
from warehouse.measures.catalogue import CATALOGUE

WIDE = Targets("wide", None, contract=CONTRACT, measures=CATALOGUE)
READINGS = Targets("tabular", "measurements", contract=CONTRACT, measures=CATALOGUE)
POINTS = Targets("points", None, contract=CONTRACT, measures=CATALOGUE)


def expected(name: str, targets: Any = WIDE, **more: Any) -> Any:
    target = targets.find(name)
    codes = CONTRACT.spellings(target.codes) if target.type == "code" and target.codes != "measure" else {}
    unit = more.pop("unit", target.unit)
    by = factor(unit, target.unit) if unit and target.unit else 1.0
    return Expected(
        target=target, today=TODAY, missing=CONTRACT.missing, unit=unit, factor=by, **{"spellings": codes, **more}
    )


def values(cells: Any, what: Any) -> Any:
    return read_cells(pl.Series(cells, strict=False), what).values.to_list()


def bad(cells: Any, what: Any) -> Any:
    return read_cells(pl.Series(cells, strict=False), what).bad.select("index", "rule").rows()


ANB = expected("anb_deg_start")
ANB_COMMA = replace(ANB, decimal=",")


def test_numbers_with_a_decimal_point() -> None:
    assert values(["4.5", " -2 ", "+3", ".5", "5.", "1e1"], ANB) == [4.5, -2.0, 3.0, 0.5, 5.0, 10.0]


def test_numbers_with_a_decimal_comma() -> None:
    assert values(["4,5", " -2 ", "+3", ",5", "5,", "7"], ANB_COMMA) == [4.5, -2.0, 3.0, 0.5, 5.0, 7.0]


def test_the_other_mark_is_taken_only_where_it_can_separate_no_thousands() -> None:
    assert values(["1,25", "4.5", "32,5 °", "32.5°"], ANB) == [1.25, 4.5, 32.5, 32.5]
    assert bad(["1.25", "1.250", "4,5"], ANB_COMMA) == [(1, "K001")]
    assert values(["1.25", "4,5"], ANB_COMMA) == [1.25, 4.5]


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("1,250.5", 1250.5),
        ("1,250,000", 1250000.0),
        ("1'250", 1250.0),
        ("1’250.5", 1250.5),
        ("1 250", 1250.0),
        ("1\u00a0250", 1250.0),
        ("−4.5", -4.5),
        ("4.5\u200b", 4.5),
        ("4.5°", 4.5),
        ("4.5 deg", 4.5),
    ],
)
def test_ways_of_writing_that_mean_one_thing(text: str, value: Any) -> None:
    assert values([text], ANB) == [value]


@pytest.mark.parametrize(
    "text", ["1,250", "12,50.5", "1 25", "four", "4.5.6", "nan", "inf", "-inf", "9" * 400, "4,5,6"]
)
def test_ways_of_writing_that_could_mean_several_things_or_nothing(text: str) -> None:
    assert bad([text], ANB) == [(0, "K001")]


def test_a_unit_that_does_not_fit() -> None:
    assert bad(["4 mm", "4 deg", "4 apples"], ANB) == [(0, "K007"), (2, "K001")]


def test_the_stated_unit_is_converted() -> None:
    assert values(["1,5", "2 cm"], expected("overjet_mm_start", unit="cm", decimal=",")) == [15.0, 20.0]
    assert bad(["2 mm"], expected("overjet_mm_start", unit="cm")) == [(0, "K007")]
    assert values([0.62], expected("jarabak_pct_start", unit="fraction")) == [62.0]


def test_typed_numbers_are_taken_as_they_are() -> None:
    assert values([1.5, None, float("nan")], ANB) == [1.5, None, None]
    assert values([1, 2], ANB) == [1.0, 2.0]
    assert values(pl.Series([Decimal("1.25")]), ANB) == [1.25]
    assert bad([1.5, float("inf")], ANB) == [(1, "K001")]


def test_blank_cells_are_counted_by_spelling() -> None:
    read = read_cells(pl.Series(["n/a", "N/A", "-", "", None, "4"]), ANB)
    assert read.values.to_list() == [None] * 5 + [4.0]
    assert read.blanks == {"n/a": 2, "-": 1}
    assert read.bad.is_empty()


def test_a_mapped_spelling_means_not_known_in_numbers() -> None:
    read = read_cells(pl.Series(["999", "4", "x"]), replace(ANB, spellings={"999": "", "x": ""}))
    assert read.values.to_list() == [None, 4.0, None]
    assert read.blanks == {"999": 1, "x": 1}


def test_whole_numbers() -> None:
    what = expected("repeat_no", READINGS)
    assert values(["1", "2.0", "1.5", "1e30"], what) == [1, 2, None, None]
    assert bad(["1", "1.5", "1e30", "x"], what) == [(3, "K001"), (1, "K004"), (2, "K004")]
    assert bad([12.5], expected("par_uk_points_start")) == [(0, "K004")]


@settings(deadline=None, max_examples=60)
@given(st.floats(allow_nan=False, allow_infinity=False, width=32))
def test_numbers_are_read_as_python_reads_them(number: Any) -> None:
    text = repr(number)
    assert values([text], ANB) == [float(text)]
    assert values([text.replace(".", ",")], ANB_COMMA) == [float(text)]


def test_the_decimal_mark_a_file_shows() -> None:
    assert decimal_of([pl.Series(["1.5", "2"]), pl.Series(["3"])]) == "."
    assert decimal_of([pl.Series(["1,5", "2"])]) == ","
    assert decimal_of([pl.Series(["1,5"]), pl.Series(["2.5"])]) == "mixed"
    assert decimal_of([pl.Series(["1,250", "2,750"])]) == "open"
    assert decimal_of([pl.Series(["0,250", "2,750"])]) == ","
    assert decimal_of([pl.Series(["1", None]), pl.Series([1.5])]) == ""
    assert decimal_of([pl.Series(["a, b", "1.5"])]) == "."
    assert decimal_of([pl.Series(["a, b"])]) == ""


def test_codes_by_spelling() -> None:
    sex = expected("sex")
    assert values(["male", " F ", "2", "n/a", ""], sex) == ["male", "female", "female", None, None]
    # ISO/IEC 5218: 9 is "not applicable" (from memory)
    assert values([1, 2, 9, 0], sex) == ["male", "female", "unknown", "unknown"]
    assert values([1.0, 2.0, None], sex) == ["male", "female", None]
    assert bad(["male", "girl"], sex) == [(1, "K002")]
    assert values(["II  div  1", "iii"], expected("incisor_class")) == ["II/1", "III"]
    assert values([True, False], expected("joint_symptoms_start")) == ["yes", "no"]


def test_a_column_of_exact_codes_is_left_as_it_is() -> None:
    read = read_cells(pl.Series(["male", "female", "male"]), expected("sex"))
    assert read.values.to_list() == ["male", "female", "male"]
    assert read.bad.is_empty()


def test_a_mapped_spelling_goes_before_a_blank_one() -> None:
    read = read_cells(pl.Series(["-", "k.a."]), replace(expected("sex"), spellings={"-": "unknown", "k.a.": ""}))
    assert read.values.to_list() == ["unknown", None]
    assert read.blanks == {"k.a.": 1}


def test_unknown_measures() -> None:
    what = replace(expected("measure", READINGS), spellings={code: code for code in CATALOGUE})
    assert values(["ANB_deg", "fma_deg"], what) == ["anb_deg", "fma_deg"]
    assert bad(["ANB"], what) == [(0, "K006")]


def test_teeth() -> None:
    what = expected("extracted_teeth")
    cells = ["14, 24", "24 14", "34;14;24;44", "none", "Keine", "", "-", "14 14", "18,55"]
    assert values(cells, what) == ["14 24", "14 24", "14 24 34 44", "none", "none", None, None, "14", "18 55"]
    assert values([14, 24], what) == ["14", "24"]
    assert values([14.0], what) == ["14"]


def test_what_is_no_tooth_code_is_not_guessed() -> None:
    # invalid by ISO 3950: from the two-digit system of 32 permanent and 20 deciduous teeth
    cells = [
        "10",
        "19",
        "20",
        "29",
        "49",
        "50",
        "56",
        "60",
        "66",
        "86",
        "91",
        "00",
        "UR4",
        "14-24",
        "4er",
        "14.24",
        "0",
    ]
    assert [index for index, rule in bad(cells, expected("extracted_teeth")) if rule == "K005"] == list(
        range(len(cells))
    )
    assert bad([14.24], expected("extracted_teeth")) == [(0, "K005")]


def test_teeth_by_a_mapped_spelling() -> None:
    what = replace(expected("extracted_teeth"), spellings={"4er": "14 24 34 44", "0": "none", "?": ""})
    assert values(["4er", "0", "?"], what) == ["14 24 34 44", "none", None]


@settings(deadline=None, max_examples=60)
@given(st.lists(st.sampled_from(sorted(TOOTH_CODES)), min_size=1), st.sampled_from([" ", ",", "; ", " , "]))
def test_teeth_in_any_order_have_one_canonical_text(teeth: Any, separator: Any) -> None:
    text = teeth_text(separator.join(teeth))
    assert text == " ".join(sorted(set(teeth), key=int))


def test_quarters() -> None:
    what = expected("start_quarter")
    cells = ["2015-Q3", "2015Q3", "Q3 2015", "q3/2015", "2015 q 3", "n/a"]
    assert values(cells, what) == ["2015-Q3"] * 5 + [None]
    assert bad(["2015-3", "3/2015", "2015-Q5", "2015", "1899-Q4", "2024-Q2", "2024-Q3"], what) == [
        (0, "K008"),
        (1, "K008"),
        (2, "K008"),
        (3, "K008"),
        (4, "K009"),
        (6, "K009"),
    ]


def test_pseudonyms_are_kept_in_capitals() -> None:
    what = replace(expected("clinician"), spellings={"dr bell": "C9", "nobody": ""})
    assert values(["c1", "Dr  Bell", "nobody", "-"], what) == ["C1", "C9", None, None]
    assert bad(["C1?"], what) == [(0, "K010")]


def test_landmarks_by_exact_code() -> None:
    what = expected("landmark", POINTS)
    assert values(["Sn", "N'", "N’", "Me'", "-"], what) == ["Sn", "N'", "N'", "Gn'", None]
    assert bad(["SN", "Anna"], what) == [(0, "K012"), (1, "K012")]
    assert values(["X1"], replace(what, spellings={"x1": "Pog"})) == ["Pog"]


def test_units_in_cells() -> None:
    what = expected("unit", READINGS)
    assert values(["MM", "Grad", "", "%"], what) == ["mm", "degrees", None, "percent"]
    assert bad(["ell"], what) == [(0, "K007")]


def test_case_numbers() -> None:
    what = expected("case_id")
    assert values([" 7 ", "-", "", None], what) == ["7", None, None, None]
    assert values([1001.0, 1002.5], what) == ["1001", "1002.5"]
    assert values([1001, 1002], what) == ["1001", "1002"]


def test_lists_in_cells_are_refused() -> None:
    with pytest.raises(BadFileError, match="lists"):
        read_cells(pl.Series([["a"], ["b"]]), expected("sex"))


def test_text_of_dates_and_truth_values() -> None:
    assert bad([date(2020, 1, 1)], ANB) == [(0, "K001")]
    assert bad([datetime(2020, 1, 1)], expected("sex")) == [(0, "K002")]


def test_no_cells_give_no_values() -> None:
    for name in ("sex", "anb_deg_start", "extracted_teeth", "start_quarter", "clinician", "case_id", "birth_date"):
        read = read_cells(pl.Series([], dtype=pl.String), expected(name))
        assert read.values.len() == 0
        assert read.bad.is_empty()


def test_blank_columns_give_blank_values() -> None:
    for name in ("sex", "anb_deg_start", "extracted_teeth", "clinician", "birth_date"):
        assert values(pl.Series([None, None], dtype=pl.Null), expected(name)) == [None, None]


@pytest.mark.parametrize("texts", [["32,5°", "28,0°"], ["12,5 %", "n/a"], ["1.234,5", "2.345,6"]])
def test_a_sign_of_the_unit_or_a_separator_hides_no_decimal_comma(texts: list[str]) -> None:
    # The reader, the draft and the reading of cells ask the same grammar.
    assert decimal_of([pl.Series(texts)]) == ","
    assert find_marks(pl.DataFrame({"a": texts})).comma == ("a",)
