"""Finding the row of column names."""

from __future__ import annotations

import pytest

from pipelines.reading.cells import is_number, is_unit, is_word, listed, shown
from pipelines.reading.header import find_header
from warehouse.errors import BadFileError


def names(rows: list[list[str]], header_row: int | None = None) -> tuple[tuple[str, ...], int]:
    width = max(len(row) for row in rows)
    header = find_header(rows, width, "cases.csv", header_row)
    return header.names, header.first_data


def test_titles_above_are_passed_over() -> None:
    rows = [["Lantern Bay", "", "", ""], ["", "", "", ""], ["id", "sex", "a", "b"], ["1", "m", "2", "3"]]
    assert names(rows) == (("id", "sex", "a", "b"), 3)


def test_a_title_of_two_cells_is_not_joined_to_the_names() -> None:
    rows = [["Lantern Bay", "Spring list", "", ""], ["id", "sex", "a", "b"], ["1", "m", "2", "3"]]
    assert names(rows)[0] == ("id", "sex", "a", "b")


def test_groups_are_joined_where_the_names_repeat() -> None:
    rows = [["", "", "Right", "", "Left", ""], ["id", "sex", "a", "b", "a", "b"], ["1", "m", "2", "3", "4", "5"]]
    assert names(rows)[0] == ("id", "sex", "Right a", "Right b", "Left a", "Left b")


def test_groups_that_name_times_are_joined_also_where_no_name_repeats() -> None:
    rows = [["", "", "T1 (before)", "", "T2", ""], ["id", "sex", "a", "b", "c", "d"], ["1", "m", "2", "3", "4", "5"]]
    assert names(rows)[0] == ("id", "sex", "T1 (before) a", "T1 (before) b", "T2 c", "T2 d")


def test_a_group_row_that_passes_as_header_is_joined_to_the_row_below() -> None:
    rows = [["id", "sex", "Start", "", "End"], ["", "", "a", "b", "a"], ["1", "m", "2", "3", "4"]]
    assert names(rows) == (("id", "sex", "Start a", "Start b", "End a"), 2)


def test_a_gap_in_the_header_above_data_of_words_is_only_a_gap() -> None:
    rows = [["case_id", "", "category"], ["A1", "upper", "facemask"], ["A2", "lower", "surgery"]]
    assert names(rows) == (("case_id", "column B", "category"), 1)


def test_a_row_of_units_is_left_out_and_recorded() -> None:
    rows = [["id", "a", "b"], ["", "(deg)", "[mm]"], ["1", "2", "3"]]
    header = find_header(rows, 3, "x", None)
    assert header.first_data == 2
    assert header.assumptions[-1].because == "it holds only units: (deg), [mm]"


def test_line_ends_in_names_become_blanks() -> None:
    assert names([["id", "SN-MP\n(deg)"], ["1", "2"]])[0] == ("id", "SN-MP (deg)")


def test_a_stated_row_wins() -> None:
    rows = [["list", "of", "cases"], ["id", "11", "12"], ["1", "2", "3"]]
    assert names(rows, header_row=2) == (("id", "11", "12"), 2)


def test_names_that_repeat_are_refused_whatever_their_case() -> None:
    with pytest.raises(BadFileError, match=r"a \(columns B and C\)"):
        names([["id", "a", "A"], ["1", "2", "3"]])


def test_a_table_of_numbers_has_no_header() -> None:
    with pytest.raises(BadFileError, match="no row of column names"):
        names([["1", "2"], ["3", "4"]])


@pytest.mark.parametrize("cell", ["1", "-2.5", "+3,5", ".5", "1e-3", "12 %", "1.234,5", "1'234.5", "35°", "−2"])
def test_numbers_in_every_notation(cell: str) -> None:
    assert is_number(cell)
    assert not is_word(cell)


@pytest.mark.parametrize("cell", ["A1", "1a", "II/1", "1-2", "", "12.3.2021", "n/a"])
def test_what_is_no_number(cell: str) -> None:
    assert not is_number(cell) or cell == "12.3.2021"


def test_dates_and_words_for_missing_are_no_words() -> None:
    assert [is_word(cell) for cell in ("sex", "2021-03-04", "4.3.21", "N/A", "-")] == [True, False, False, False, False]


def test_units_are_known_in_brackets() -> None:
    assert is_unit("(mm)")
    assert not is_unit("overjet")


def test_names_for_messages_are_masked_and_cut() -> None:
    assert shown("ada@lantern.example Bay") == "…@… Bay"
    assert shown("tel 0151 234567") == "tel …"
    assert len(shown("x" * 90)) == 40
    assert listed([f"c{i}" for i in range(10)]) == "c0, c1, c2, c3, c4, c5, c6, c7 and 2 more"
