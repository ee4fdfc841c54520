"""Delimited text as practices really hand it over."""

from __future__ import annotations

import csv
import hashlib
import io
from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.contract.delivery import RawTable
from pipelines.reading import text as text_reader
from pipelines.reading.files import read_file
from pipelines.reading.settings import ReadSettings
from warehouse.errors import BadFileError

CLEAN = "case_id,sex,sn_gogn_deg_start,overjet_mm_start\nA1,male,35.2,6.5\nA2,female,31.0,4.0\nA3,female,33.4,5.5\n"


def read(folder: Path, content: str | bytes, stated: ReadSettings | None = None, name: str = "cases.csv") -> RawTable:
    path = folder / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    (table,) = read_file(path, stated)
    return table


def taken(table: RawTable, about: str) -> str | None:
    found = [a.taken for a in table.assumptions if a.about == about]
    assert len(found) < 2
    return found[0] if found else None


def test_values_stay_text_and_rows_are_numbered_as_a_spreadsheet_shows_them(tmp_path: Path) -> None:
    table = read(tmp_path, CLEAN)
    assert table.frame.to_dict(as_series=False) == {
        "case_id": ["A1", "A2", "A3"],
        "sex": ["male", "female", "female"],
        "sn_gogn_deg_start": ["35.2", "31.0", "33.4"],
        "overjet_mm_start": ["6.5", "4.0", "5.5"],
    }
    assert table.rows.to_list() == [2, 3, 4]
    assert table.rows.dtype == pl.UInt32


def test_the_source_names_the_file_without_its_folder_and_hashes_its_bytes(tmp_path: Path) -> None:
    content = "\ufeff" + CLEAN
    source = read(tmp_path, content).source
    assert (source.name, source.n_bytes, source.sheet) == ("cases.csv", len(content.encode()), None)
    assert source.sha256 == hashlib.sha256(content.encode()).hexdigest()


def test_what_was_found_out_is_recorded_and_what_was_stated_is_not(tmp_path: Path) -> None:
    found = read(tmp_path, CLEAN)
    assert [taken(found, about) for about in ("encoding", "delimiter", "header row", "decimal")] == [
        "utf-8",
        "comma",
        "row 1",
        ".",
    ]
    stated = ReadSettings(encoding="utf-8", delimiter=",", decimal=".", header_row=1)
    assert read(tmp_path, CLEAN, stated).assumptions == ()


@pytest.mark.parametrize(
    ("encoded", "name"),
    [
        (lambda text: text.encode(), "utf-8"),
        (lambda text: text.encode("utf-8-sig"), "utf-8"),
        (lambda text: text.encode("utf-16"), "utf-16-le"),
        (lambda text: b"\xfe\xff" + text.encode("utf-16-be"), "utf-16-be"),
        (lambda text: text.encode("utf-16-le"), "utf-16-le"),
        (lambda text: text.encode("utf-16-be"), "utf-16-be"),
        (lambda text: text.encode("utf-32"), "utf-32-le"),
        (lambda text: text.encode("cp1252"), "cp1252"),
    ],
    ids=[
        "utf-8",
        "utf-8 mark",
        "utf-16 mark",
        "utf-16-be mark",
        "utf-16-le bare",
        "utf-16-be bare",
        "utf-32",
        "cp1252",
    ],
)
def test_every_encoding_gives_the_same_table(tmp_path: Path, encoded: Callable[[str], bytes], name: str) -> None:
    content = "Fall,Gerät,Größe\nÄ1,Gerät für außen,35\nÖ2,Überwurf – fest,36\n"
    table = read(tmp_path, encoded(content))
    assert table.frame.rows() == [("Ä1", "Gerät für außen", "35"), ("Ö2", "Überwurf – fest", "36")]
    assert table.frame.columns == ["Fall", "Gerät", "Größe"]
    assert taken(table, "encoding") == name


def test_a_stated_encoding_is_used(tmp_path: Path) -> None:
    content = "case_id,note\nA1,Größe\n".encode("cp850")
    assert read(tmp_path, content, ReadSettings(encoding="cp850")).frame["note"].to_list() == ["Größe"]


def test_rows_of_two_encodings_are_refused_unless_one_is_stated(tmp_path: Path) -> None:
    content = "case_id,sex\nKä1,male\n".encode() + "Kö2,female\n".encode("cp1252")
    with pytest.raises(
        BadFileError, match=r"not valid UTF-8 throughout.*\n.*where: .*\n.*expected: .*\n.*what to do: "
    ):
        read(tmp_path, content)
    assert read(tmp_path, content, ReadSettings(encoding="cp1252")).frame["sex"].to_list() == ["male", "female"]


def test_one_column_is_singular(tmp_path: Path) -> None:
    for content, said in (
        ("case_id,a\nA1,3.5\nA2,4.5\n", "1 column shows it"),
        ("case_id,a,b\nA1,3.5,4.5\nA2,4.5,5.5\n", "2 columns show it"),
    ):
        (note,) = (one for one in read(tmp_path, content).assumptions if one.about == "decimal")
        assert note.because == said


@pytest.mark.parametrize(("mark", "label"), [(",", "comma"), (";", "semicolon"), ("\t", "tab"), ("|", "vertical bar")])
def test_every_delimiter_is_found(tmp_path: Path, mark: str, label: str) -> None:
    table = read(tmp_path, CLEAN.replace(",", mark))
    assert table.frame.width == 4
    assert taken(table, "delimiter") == label


def test_a_semicolon_file_with_decimal_commas_is_not_split_at_its_commas(tmp_path: Path) -> None:
    content = "case_id;start;finish;overjet\nA1;35,2;36,1;6,5\nA2;31,0;30,2;4,0\n"
    table = read(tmp_path, content)
    assert table.frame.row(0) == ("A1", "35,2", "36,1", "6,5")
    assert taken(table, "decimal") == ","


def test_a_first_line_stating_the_delimiter_is_no_row(tmp_path: Path) -> None:
    table = read(tmp_path, "sep=|\r\ncase_id|sex\r\nA1|male\r\n")
    assert table.frame.rows() == [("A1", "male")]
    assert table.rows.to_list() == [2]


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_every_line_end_gives_the_same_table(tmp_path: Path, end: str) -> None:
    assert read(tmp_path, CLEAN.replace("\n", end)).frame.equals(read(tmp_path, CLEAN).frame)


def test_quoted_cells_may_hold_delimiters_line_ends_and_doubled_quotes(tmp_path: Path) -> None:
    table = read(tmp_path, 'case_id,note,sex\nA1,"one, two\nthree ""four""",male\nA2,"",female\n')
    assert table.frame.rows() == [("A1", 'one, two\nthree "four"', "male"), ("A2", None, "female")]
    assert table.rows.to_list() == [2, 3]


def test_stray_blanks_go_and_blanks_inside_stay(tmp_path: Path) -> None:
    table = read(tmp_path, "case_id , sex\n A1\u00a0,\u2007male \nA2,in  treatment\t\nA3, \u00a0\n")
    assert table.frame.columns == ["case_id", "sex"]
    assert table.frame.rows() == [("A1", "male"), ("A2", "in  treatment"), ("A3", None)]


def test_blank_rows_go_and_keep_their_numbers(tmp_path: Path) -> None:
    table = read(tmp_path, "case_id,sex\nA1,male\n\n,\nA2,female\n\n\n")
    assert table.frame["case_id"].to_list() == ["A1", "A2"]
    assert table.rows.to_list() == [2, 5]
    assert taken(table, "blank rows") == "2 left out"


def test_blank_columns_go_and_are_named(tmp_path: Path) -> None:
    table = read(tmp_path, "case_id,clinician,sex,\nA1,,male,\nA2, ,female,\n")
    assert table.frame.columns == ["case_id", "sex"]
    assert taken(table, "blank columns") == "left out: clinician"


def test_a_column_with_values_and_no_name_is_called_by_its_letter(tmp_path: Path) -> None:
    table = read(tmp_path, "case_id,,sex\nA1,x,male\nA2,y,female\n")
    assert table.frame.columns == ["case_id", "column B", "sex"]
    assert taken(table, "unnamed columns") == "called by their letter: B"


def test_rows_that_end_early_are_filled_up_and_counted(tmp_path: Path) -> None:
    table = read(tmp_path, "case_id,sex,overjet\nA1,male,3\nA2,female\nA3,male,4\n")
    assert table.frame.rows() == [("A1", "male", "3"), ("A2", "female", None), ("A3", "male", "4")]
    assert taken(table, "short rows") == "1 filled up with blank cells"


def test_blank_cells_beyond_the_header_are_no_matter(tmp_path: Path) -> None:
    assert read(tmp_path, "case_id,sex\nA1,male,\nA2,female,\n").frame.width == 2


def test_a_row_with_cells_beyond_the_header_refuses_the_file_with_its_number(tmp_path: Path) -> None:
    with pytest.raises(BadFileError, match="row has 3 cells, the header 2") as error:
        read(tmp_path, "case_id,sex\nA1,male\nA2,35,2\nA3,female\n")
    assert error.value.where == "cases.csv, row 3"
    assert "comma" in error.value.remedy


def test_an_open_quotation_mark_refuses_the_file_with_its_row(tmp_path: Path) -> None:
    with pytest.raises(BadFileError, match="quotation mark") as error:
        read(tmp_path, 'case_id,sex,note\nA1,male,x\nA2,"female,x\nA3,male,x\n')
    assert error.value.where == "cases.csv, row 3"


@pytest.mark.parametrize("second", ["", '"', '"x'])
def test_an_open_quotation_mark_in_the_last_column_swallows_no_rows(tmp_path: Path, second: str) -> None:
    """A lenient parser would make one long cell of the rows between the marks, and the table would still be regular."""
    rows = "".join(f"A{i},male,x\n" for i in range(4, 9))
    with pytest.raises(BadFileError, match="quotation mark") as error:
        read(tmp_path, f'case_id,sex,note\nA1,male,x\nA2,male,"x\n{rows}A9,male,{second}\n')
    assert error.value.where == "cases.csv, row 3"


def test_totals_and_notes_below_the_table_go_and_are_recorded(tmp_path: Path) -> None:
    content = (
        "case_id;start;overjet\nA1;35,2;6,5\nA2;31,0;\nA3;33,0;4,0\n"
        "Mittelwert;33,07;5,25\n;99,2;10,5\nn = 3;;\nExported from the practice list;;\n"
    )
    table = read(tmp_path, content)
    assert table.frame["case_id"].to_list() == ["A1", "A2", "A3"]
    assert taken(table, "totals rows") == "row 5, 6, 7 left out"
    assert taken(table, "notes below the table") == "row 8 left out"
    kept = read(tmp_path, content, ReadSettings(skip_totals=False))
    assert kept.frame.height == 7
    assert taken(kept, "totals rows") is None


@pytest.mark.parametrize(
    "label", ["Total", "TOTALS", "Sum:", "Summe", "Gesamt", "Average", "Ø", "N=2", "SD", "Count 2"]
)
def test_words_for_totals_are_known(tmp_path: Path, label: str) -> None:
    table = read(tmp_path, f"case_id,sex,overjet\nA1,male,3\nA2,female,4\n{label},,7\n")
    assert table.frame["case_id"].to_list() == ["A1", "A2"]


@pytest.mark.parametrize("case_id", ["Max M", "SD-001", "SD 12", "Summer", "Totalis", "N12", "Mean-1"])
def test_a_case_whose_number_looks_like_a_total_stays(tmp_path: Path, case_id: str) -> None:
    table = read(tmp_path, f"case_id,sex,overjet\nA1,male,3\nA2,female,4\n{case_id},male,7.5\n")
    assert table.frame["case_id"].to_list() == ["A1", "A2", case_id]


def test_a_last_case_without_its_number_is_not_taken_for_totals(tmp_path: Path) -> None:
    table = read(tmp_path, "case_id,sex,overjet,start\nA1,1,3.5,30.1\nA2,2,4,35.2\n,1,5.5,31.7\n")
    assert table.frame.height == 3


def test_a_column_of_text_or_one_value_proves_no_total(tmp_path: Path) -> None:
    text = "case_id;sex;overjet\nA1;1;n/a\nA2;1;3,5\n;;3,5\n"
    assert read(tmp_path, text).frame.height == 3
    assert read(tmp_path, "case_id;sex;overjet\nA1;1;3\n;;3\n").frame.height == 2
    grouped = "case_id;a;b\nA1;1000,5;1\nA2;1000,25;3\n;2.000,75;5\n"
    assert read(tmp_path, grouped).frame.height == 3


def test_totals_in_the_middle_stay(tmp_path: Path) -> None:
    table = read(tmp_path, "case_id,sex,overjet\nA1,male,3\nTotal,,3\nA2,female,4\n")
    assert table.frame["case_id"].to_list() == ["A1", "Total", "A2"]


def test_the_example_row_of_the_template_goes_and_is_recorded(tmp_path: Path) -> None:
    table = read(tmp_path, "case_id,sex\nEXAMPLE,female\nA1,male\n")
    assert table.frame["case_id"].to_list() == ["A1"]
    assert taken(table, "example row") == "row 2 left out"


def test_titles_and_a_merged_header_are_found(tmp_path: Path) -> None:
    content = (
        "Lantern Bay study group;;;;;\nSpring list;;;;;\n\n"
        "Pat.-Nr.;Geschl.;Start;;Ende;\n;;SN-MP;Overjet;SN-MP;Overjet\n"
        "A1;m;35,2;6,5;36,1;2,0\nA2;w;31,0;4,5;30,5;1,5\n"
    )
    table = read(tmp_path, content.encode("cp1252"))
    names = ["Pat.-Nr.", "Geschl.", "Start SN-MP", "Start Overjet", "Ende SN-MP", "Ende Overjet"]
    assert table.frame.columns == names
    assert table.rows.to_list() == [6, 7]
    assert taken(table, "header row") == "rows 4 and 5 joined"


def test_decimal_marks_that_differ_between_columns_are_recorded_as_mixed(tmp_path: Path) -> None:
    table = read(tmp_path, "case_id;a;b\nA1;1,5;2.5\nA2;2,5;3.5\n")
    assert taken(table, "decimal") == "mixed"


def test_a_column_against_the_majority_is_named(tmp_path: Path) -> None:
    table = read(tmp_path, "case_id;a;b;c;odd\nA1;1,5;1,5;2,5;1.5\nA2;2,5;1,5;3,5;1.5\n")
    (note,) = (a for a in table.assumptions if a.about == "decimal")
    assert note.taken == ","
    assert "odd" in note.because


def test_values_that_read_either_way_leave_the_decimal_mark_open(tmp_path: Path) -> None:
    table = read(tmp_path, "case_id;a\nA1;1,234\nA2;2,345\nA3;n/a\n")
    (note,) = (a for a in table.assumptions if a.about == "decimal")
    assert note.taken == "not decided"
    assert "in a" in note.because


def test_thousands_with_a_decimal_mark_decide(tmp_path: Path) -> None:
    assert taken(read(tmp_path, "case_id;a\nA1;1.234,5\nA2;2.345,6\n"), "decimal") == ","


def test_tooth_codes_with_commas_do_not_vote(tmp_path: Path) -> None:
    table = read(tmp_path, "case_id;teeth;a\nA1;14,24;30.5\nA2;none;31.5\nA3;none;31.5\n")
    assert taken(table, "decimal") == "."


def test_a_table_of_whole_numbers_needs_no_decimal_mark(tmp_path: Path) -> None:
    assert taken(read(tmp_path, "case_id,a\nA1,3\nA2,4\n"), "decimal") is None


def test_a_text_table_with_another_ending_is_read(tmp_path: Path) -> None:
    assert read(tmp_path, CLEAN.replace(",", "\t"), name="cases.xls").frame.height == 3


cell = st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cs"]) | st.sampled_from(',;"\n |'), max_size=6)


@settings(max_examples=150, deadline=None)
@given(
    rows=st.lists(st.lists(cell, min_size=3, max_size=3), min_size=1, max_size=8),
    delimiter=st.sampled_from(",;\t|"),
)
def test_the_two_routes_of_the_reader_agree(rows: list[list[str]], delimiter: str) -> None:
    buffer = io.StringIO()
    csv.writer(buffer, delimiter=delimiter, lineterminator="\n").writerows(rows)
    region = text_reader._Region(bytearray(buffer.getvalue().encode()), 0, 1, delimiter)
    fast = text_reader._regular(region, 3)
    if any(text_reader._holds_rows(row, 3, delimiter) for row in rows):
        with pytest.raises(BadFileError):
            text_reader._irregular(region, 3, "x")
        return
    careful, _ = text_reader._irregular(region, 3, "x")
    expected = [tuple(value or None for value in row) for row in rows]
    while expected and not any(expected[-1]):
        expected.pop()
    assert [row for row in careful.rows() if any(row)] == [row for row in expected if any(row)]
    assert fast is None or fast.rows() == careful.rows()
