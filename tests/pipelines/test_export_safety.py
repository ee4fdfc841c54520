"""Nothing that we export runs as a formula when a spreadsheet program opens it."""

from __future__ import annotations

from pathlib import Path

import openpyxl
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from warehouse.export_safety import neutralise, neutralise_formulas

DANGEROUS = [
    "=1+1",
    "=cmd|' /C calc'!A0",
    "+SUM(A1)",
    "-2+3",
    "@SUM(1)",
    "\t=1",
    "\r=1",
    "\n=1",
    " =1",
    "＝1",
    "--",
    "-1-1",
    "+49 30 1",
    "-1e",
    "=",
    "-5\n=1",
]
HARMLESS = ["", "A1", "-1.5", "+2", "-2,5", "1e-3", "-1e-3", "-12 %", "-", "II/1", "a=b", "−3", "-1.234,5"]


@pytest.mark.parametrize("text", DANGEROUS)
def test_formulas_get_an_apostrophe(text: str) -> None:
    assert neutralise(text) == "'" + text


@pytest.mark.parametrize("text", HARMLESS)
def test_numbers_and_plain_text_stay(text: str) -> None:
    assert neutralise(text) == text


def test_frames_are_made_safe_cell_by_cell_and_name_by_name() -> None:
    texts = [*DANGEROUS, *HARMLESS, None]
    frame = pl.DataFrame(
        {"=a": texts, "n": [-1.5] * len(texts), "c": pl.Series(["-x"] * len(texts), dtype=pl.Categorical)}
    )
    safe = neutralise_formulas(frame)
    assert safe.columns == ["'=a", "n", "c"]
    assert safe["'=a"].to_list() == ["'" + text for text in DANGEROUS] + [*HARMLESS, None]
    assert safe["n"].to_list() == frame["n"].to_list()
    assert safe["c"].unique().to_list() == ["'-x"]


@given(
    st.lists(st.text(st.sampled_from("=+-@'\t\r\n a1.,%eE\x0b\x85\u00a0\u2028"), max_size=6) | st.none(), max_size=20)
)
def test_frame_and_single_text_agree_and_twice_changes_nothing_more(texts: list[str | None]) -> None:
    frame = pl.DataFrame({"a": texts}, schema={"a": pl.String})
    safe = neutralise_formulas(frame)
    assert safe["a"].to_list() == [None if text is None else neutralise(text) for text in texts]
    assert neutralise_formulas(safe).equals(safe)


def test_a_written_workbook_holds_text_and_no_formula(tmp_path: Path) -> None:
    frame = pl.DataFrame({"note": ["=1+1", "-2.5", "@x"], "value": [1.0, 2.0, 3.0]})
    neutralise_formulas(frame).write_excel(tmp_path / "out.xlsx")
    sheet = openpyxl.load_workbook(tmp_path / "out.xlsx").active
    assert [(cell.value, cell.data_type) for cell in sheet["A"][1:]] == [("'=1+1", "s"), ("-2.5", "s"), ("'@x", "s")]
