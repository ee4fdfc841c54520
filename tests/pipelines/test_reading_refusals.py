"""Files that cannot be used: one message each, that says what was found, where, what was expected and what to do."""

from __future__ import annotations

import io
import os
import struct
import sys
import zipfile
from pathlib import Path

import msoffcrypto.format.ooxml
import openpyxl
import polars as pl
import pytest

from pipelines.reading import limits, source
from pipelines.reading.files import read_file
from pipelines.reading.settings import ReadSettings
from warehouse.errors import BadFileError

PNG = b"\x89PNG\r\n\x1a\n" + b"\x00\x00\x00\rIHDR" + bytes(40)
CLEAN = b"case_id,sex,overjet\nA1,male,3.5\nA2,female,4.5\n"


def refusal(folder: Path, content: bytes, name: str = "cases.csv", stated: ReadSettings | None = None) -> BadFileError:
    path = folder / name
    path.write_bytes(content)
    with pytest.raises(BadFileError) as caught:
        read_file(path, stated)
    error = caught.value
    assert name in error.where
    assert str(folder) not in str(error)
    return error


def workbook(rows: list[list[object]]) -> bytes:
    book = openpyxl.Workbook()
    for row in rows:
        book.active.append(row)
    buffer = io.BytesIO()
    book.save(buffer)
    return buffer.getvalue()


def sheet_replaced(content: bytes, sheet: bytes, shared: bytes | None = None) -> bytes:
    """A workbook whose first sheet (and shared texts) hold other XML."""
    target = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as new:
        for part in old.infolist():
            data = old.read(part)
            if part.filename == "xl/worksheets/sheet1.xml":
                data = sheet
            if part.filename == "xl/sharedStrings.xml" and shared is not None:
                data = shared
            new.writestr(part.filename, data)
    return target.getvalue()


SHEET = b'<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>%s</sheetData></worksheet>'
GOOD_BOOK = workbook([["case_id", "sex"], ["A1", "male"], ["A2", "female"]])


@pytest.mark.parametrize(
    ("content", "name", "found"),
    [
        pytest.param(b"", "cases.csv", "empty (0 bytes)", id="empty"),
        pytest.param(b" \r\n\r\n  \n", "cases.csv", "nothing but blank lines", id="blank lines"),
        pytest.param(b"case_id,sex,overjet\n", "cases.csv", "no row of data", id="only a header"),
        pytest.param(b"case_id,sex\n\n,\n", "cases.csv", "no row of data", id="header and blank rows"),
        pytest.param(b"case_id\nA1\nA2\n", "cases.csv", "one column only", id="one column"),
        pytest.param(b"1,2\n3,4\n5,6\n", "cases.csv", "no row of column names", id="no header"),
        pytest.param(b"a,b\n1\n2\n3\n4;5;6\n7;8\n9\n", "cases.csv", "differing numbers of cells", id="ragged"),
        pytest.param(PNG, "cases.csv", "a picture (PNG)", id="png"),
        pytest.param(b"\xff\xd8\xff\xe0" + bytes(50), "cases.csv", "a picture (JPEG)", id="jpeg"),
        pytest.param(b"BM" + struct.pack("<IHH", 100, 0, 0) + bytes(80), "cases.csv", "a picture (BMP)", id="bmp"),
        pytest.param(b"RIFF\x10\x00\x00\x00WEBPVP8 ", "cases.csv", "a picture (WebP)", id="webp"),
        pytest.param(b"\x00\x00\x00\x18ftypheic" + bytes(20), "cases.csv", "a picture (HEIC)", id="heic"),
        pytest.param(bytes(128) + b"DICM" + bytes(80), "cases.csv", "a medical image", id="dicom"),
        pytest.param(b"%PDF-1.7\n1 0 obj", "cases.csv", "a PDF document", id="pdf"),
        pytest.param(b"{\\rtf1\\ansi", "cases.csv", "a text-processor document", id="rtf"),
        pytest.param(b"\x1f\x8b\x08" + bytes(30), "cases.csv", "a packed file (gzip)", id="gzip"),
        pytest.param(b"MZ\x90\x00\x03\x00\x00\x00" + bytes(60), "cases.csv", "a program", id="program"),
        pytest.param(b"SQLite format 3\x00" + bytes(50), "cases.csv", "a database file", id="sqlite"),
        pytest.param(b"\x00" * 8 + b"DUCK" + bytes(50), "cases.csv", "a database file", id="duckdb"),
        pytest.param(b"\n<!DOCTYPE html><table></table>", "cases.xls", "a web page", id="html"),
        pytest.param(b"PARE" + bytes(20), "cases.parquet", "encrypted", id="encrypted parquet"),
        pytest.param(b"case_id,sex\nA1,male\n", "cases.parquet", "not those of such a file", id="text as parquet"),
        pytest.param(b"\x01\x02\x00\x03" * 40, "cases.xlsx", "not those of such a file", id="binary as xlsx"),
        pytest.param(b"broken", "cases.xlsx", "no readable workbook file", id="a word as xlsx"),
        pytest.param(b"PAR1" + bytes(40) + b"PAR1", "cases.parquet", "damaged or cut off", id="damaged parquet"),
        pytest.param(b"case_id,sex\nA1,\x00\x00\x01\n", "cases.csv", "not text", id="zero bytes"),
        pytest.param(bytes(range(1, 256)) * 8, "cases.csv", "neither UTF-8 nor Western", id="binary"),
        pytest.param(b"case_id,sex\nA1,\x02\x03\x04\n" * 9, "cases.csv", "not text", id="control characters"),
        pytest.param(b"\xef\xbb\xbfcase_id,sex\nA1,\xe4\n", "cases.csv", "not valid UTF-8", id="mark without utf-8"),
        pytest.param(b"\xff\xfea\x00,\x00b\x00\n", "cases.csv", "not valid utf-16-le", id="utf-16 cut off"),
        pytest.param(b"PK\x03\x04" + bytes(60), "cases.csv", "damaged or cut off", id="zip cut off"),
        pytest.param(b'[{"a": 1, "b": 2}', "points.json", "not JSON", id="json cut off"),
        pytest.param(b'[{"a": NaN, "b": 2}]', "points.json", "not JSON", id="json NaN"),
        pytest.param(b'[{"a": 1, "a": 2}]', "points.json", "one name twice", id="json name twice"),
        pytest.param(b'[{"a": 1, "b": [2]}]', "points.json", "itself a list", id="json nested"),
        pytest.param(b'[{"a": 1, "b": "\\ud800"}]', "points.json", "half a character", id="json half character"),
        pytest.param(b"[1, 2]", "points.json", "not an object", id="json numbers"),
        pytest.param(b"{}", "points.json", "no list of records", id="json empty"),
        pytest.param(b'{"a": {"b": 1}}', "points.json", "no list of records", id="json object"),
        pytest.param(b"[" * 200_000, "points.json", "nested too deeply", id="json deep"),
        pytest.param(b'[{"a": 1}]', "points.json", "1 names", id="json one column"),
    ],
)
def test_an_unusable_file_gets_one_clear_message(tmp_path: Path, content: bytes, name: str, found: str) -> None:
    error = refusal(tmp_path, content, name)
    assert found in error.found
    assert error.expected
    assert error.remedy


def test_a_missing_file_and_a_folder_are_refused(tmp_path: Path) -> None:
    with pytest.raises(BadFileError, match="no such file") as error:
        read_file(tmp_path / "gone.csv")
    assert str(tmp_path) not in str(error.value)
    with pytest.raises(BadFileError, match="a folder, not a file"):
        read_file(tmp_path)


@pytest.mark.skipif(sys.platform == "win32", reason="no named pipes in the file system")
def test_a_pipe_is_refused_without_waiting_for_it(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.csv")
    with pytest.raises(BadFileError, match=r"not a regular file\n.*where: .*\n.*expected: .*\n.*what to do: "):
        read_file(tmp_path / "pipe.csv")


def test_an_unreadable_file_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "cases.csv"
    path.write_bytes(CLEAN)

    def locked(*args: object, **kwargs: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", locked)
    with pytest.raises(BadFileError, match="Permission denied"):
        read_file(path)


@pytest.mark.parametrize("change", [b"A3,male,5.5\n", b""])
def test_a_file_that_changes_while_it_is_read_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, change: bytes
) -> None:
    path = tmp_path / "cases.csv"
    path.write_bytes(CLEAN)
    read = source._read

    def meanwhile(*args: object) -> object:
        result = read(*args)
        path.write_bytes(CLEAN + change if change else CLEAN[:-20])
        return result

    monkeypatch.setattr(source, "_read", meanwhile)
    with pytest.raises(BadFileError, match="changed while"):
        read_file(path)


def test_a_file_cut_off_while_it_is_read_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "cases.csv"
    path.write_bytes(CLEAN * 50)
    monkeypatch.setattr(limits, "HEAD_BYTES", 100)
    monkeypatch.setattr(source, "_check_size", lambda *_: path.write_bytes(CLEAN * 20))
    with pytest.raises(BadFileError, match="changed while"):
        read_file(path)


def test_a_line_without_end_is_refused_unread(tmp_path: Path) -> None:
    """A gigabyte of one line, as a sparse file: only its first block may be read."""
    path = tmp_path / "long.csv"
    with path.open("wb") as stream:
        stream.write(b"case_id,sex")
        stream.truncate(1 << 30)
    with pytest.raises(BadFileError):
        read_file(path)
    with path.open("r+b") as stream:
        stream.write(b"a" * (3 << 20))
    with pytest.raises(BadFileError, match="one line is longer than 1,048,576 bytes"):
        read_file(path)


def test_a_long_line_further_down_is_found(tmp_path: Path) -> None:
    content = CLEAN * 40_000 + b"A3,male," + b"x" * (2 << 20) + b"\n" + CLEAN
    assert "one line is longer" in refusal(tmp_path, content).found


def test_a_line_that_grows_too_long_in_utf_8_is_found(tmp_path: Path) -> None:
    content = b"case_id,sex\n".replace(b"\n", b";") + b"\xe9" * 700_000 + b"\nA1,male\n"
    assert "one line is longer" in refusal(tmp_path, content).found


def test_lines_below_the_limit_are_read_whatever_the_block(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(limits, "HEAD_BYTES", 256)
    monkeypatch.setattr(limits, "MAX_LINE_BYTES", 256)
    monkeypatch.setattr(source, "_BLOCK", 100)
    path = tmp_path / "cases.csv"
    path.write_bytes(b"case_id,note\n" + b"".join(b"A%d,%s\n" % (i, b"x" * (i % 230)) for i in range(400)))
    (table,) = read_file(path)
    assert table.frame.height == 400
    path.write_bytes(path.read_bytes() + b"A,%s\n" % (b"x" * 300))
    with pytest.raises(BadFileError, match="one line is longer"):
        read_file(path)


def test_a_huge_cell_is_refused_with_its_place(tmp_path: Path) -> None:
    content = CLEAN + b"A3,female," + b"5" * 40_000 + b"\n"
    error = refusal(tmp_path, content)
    assert "more than 32,767 characters" in error.found
    assert error.where == "cases.csv, row 4, column C"
    assert "more than 32,767 characters" in refusal(tmp_path, content.replace(b"A2", b"\nA2") + b"9" * 200_000).found


def test_a_long_cell_of_wide_characters_counts_characters(tmp_path: Path) -> None:
    path = tmp_path / "cases.csv"
    path.write_bytes(CLEAN + f"A3,female,{'é' * 30_000}\n".encode())
    (table,) = read_file(path)
    assert table.frame["overjet"].str.len_chars().max() == 30_000


def test_too_many_columns_and_too_large_files_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    wide = b",".join(b"name%d" % i for i in range(2_001)) + b"\n" + b",".join([b"1.5"] * 2_001) + b"\n"
    assert "2,001 columns" in refusal(tmp_path, wide).found
    monkeypatch.setitem(source._MAX_BYTES, "text", 10)
    assert "at most" in refusal(tmp_path, CLEAN).expected


def test_a_text_of_delimiters_alone_is_refused_before_it_fills_memory(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(limits, "MAX_CELLS", 3_000)
    header = b",".join(b"name%d" % i for i in range(100)) + b"\n"
    assert "40 lines of 100 columns" in refusal(tmp_path, header + (b"1" + b"," * 99 + b"\n") * 40).found


def test_a_repeated_column_name_names_both_columns(tmp_path: Path) -> None:
    error = refusal(tmp_path, b"case_id,Overjet,sex,overjet \nA1,3,male,4\n")
    assert "Overjet (columns B and D)" in error.found


def test_the_message_on_a_repeated_name_shows_no_number_or_address(tmp_path: Path) -> None:
    error = refusal(tmp_path, b"ada@lantern.example,0151 2345678,ada@lantern.example,0151 2345678\nx,y,z,1\n")
    assert "lantern" not in str(error)
    assert "2345678" not in str(error)


def test_a_wrong_stated_delimiter_is_told_with_the_right_one(tmp_path: Path) -> None:
    error = refusal(tmp_path, CLEAN, stated=ReadSettings(delimiter=";"))
    assert "stated delimiter (semicolon)" in error.found
    assert "the comma splits it into 3 columns" in error.remedy
    assert "not one plain character" in refusal(tmp_path, CLEAN, stated=ReadSettings(delimiter=";;")).found


def test_wrong_statements_are_told(tmp_path: Path) -> None:
    assert "no encoding is called 'utf-9'" in refusal(tmp_path, CLEAN, stated=ReadSettings(encoding="utf-9")).found
    misfit = refusal(tmp_path, CLEAN.replace(b"A1", b"\xe4"), stated=ReadSettings(encoding="utf-8"))
    assert "not valid utf-8 (the stated encoding)" in misfit.found
    assert "header row 9" in refusal(tmp_path, CLEAN, stated=ReadSettings(header_row=9)).found
    assert "header row 0" in refusal(tmp_path, CLEAN, stated=ReadSettings(header_row=0)).found
    assert "no sheet is called 'X'" in refusal(tmp_path, GOOD_BOOK, "b.xlsx", ReadSettings(sheet="X")).found


def test_a_password_protected_workbook_says_so(tmp_path: Path) -> None:
    encrypted = io.BytesIO()
    msoffcrypto.format.ooxml.OOXMLFile(io.BytesIO(GOOD_BOOK)).encrypt("lantern", encrypted)
    error = refusal(tmp_path, encrypted.getvalue(), "cases.xlsx")
    assert "protected by a password" in error.found
    assert "save it again as XLSX" in error.remedy


@pytest.mark.parametrize(
    ("stream", "found"), [("Workbook", "damaged or cut off"), ("Nothing", "old office container")], ids=["xls", "other"]
)
def test_an_old_container_says_so(tmp_path: Path, stream: str, found: str) -> None:
    content = bytes.fromhex("D0CF11E0A1B11AE1") + bytes(600) + stream.encode("utf-16-le") + bytes(600)
    assert found in refusal(tmp_path, content, "cases.xls").found


def test_a_protected_workbook_is_known_also_where_its_directory_stands_far_in(tmp_path: Path) -> None:
    head = bytearray(bytes.fromhex("D0CF11E0A1B11AE1") + bytes(504))
    head[30:32] = (9).to_bytes(2, "little")
    head[48:52] = (6_000).to_bytes(4, "little")
    content = bytes(head) + bytes(6_000 * 512) + "EncryptedPackage".encode("utf-16-le") + bytes(512)
    assert "protected by a password" in refusal(tmp_path, content, "cases.xlsx").found


@pytest.mark.parametrize("keep", [0.2, 0.5, 0.9, 0.99])
def test_a_workbook_cut_off_is_refused(tmp_path: Path, keep: float) -> None:
    cut = GOOD_BOOK[: int(len(GOOD_BOOK) * keep)]
    assert "damaged or cut off" in refusal(tmp_path, cut, "cases.xlsx").found


@pytest.mark.parametrize(
    ("part", "found"),
    [
        ("xl/workbook.bin", "binary workbook"),
        ("content.xml", "OpenDocument"),
        ("word/document.xml", "text or slides document"),
        ("cases.csv", "zip archive"),
    ],
)
def test_other_archives_are_named(tmp_path: Path, part: str, found: str) -> None:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        archive.writestr(part, b"x")
    assert found in refusal(tmp_path, buffer.getvalue(), "cases.csv").found


def test_a_workbook_that_unpacks_to_gigabytes_is_refused_before_unpacking(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(limits, "MAX_UNPACKED_BYTES", 200 << 20)
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/workbook.xml", b"<workbook/>")
        with archive.open("xl/worksheets/sheet1.xml", "w", force_zip64=True) as part:
            block = bytes(1 << 24)
            for _ in range(limits.MAX_UNPACKED_BYTES // len(block) + 1):
                part.write(block)
    assert len(buffer.getvalue()) < 1 << 20
    assert "bytes when unpacked" in refusal(tmp_path, buffer.getvalue(), "bomb.xlsx").found


def test_a_directory_that_lies_about_the_size_is_refused(tmp_path: Path) -> None:
    content = bytearray(sheet_replaced(GOOD_BOOK, SHEET % (b"<row/>" * 10_000)))
    real = len(SHEET % (b"<row/>" * 10_000))
    at = content.find(struct.pack("<I", real))
    while at >= 0:
        content[at : at + 4] = struct.pack("<I", 100)
        at = content.find(struct.pack("<I", real))
    assert "damaged or cut off" in refusal(tmp_path, bytes(content), "cases.xlsx").found


@pytest.mark.parametrize(
    "corner",
    [
        b'<c r="XFD1048576"><v>1</v></c>',
        b"<c foo='>' r='XFD1048576'><v>1</v></c>",
        b'<c\n r = "XFD1048576"><v>1</v></c>',
    ],
)
def test_two_cells_in_opposite_corners_are_refused(tmp_path: Path, corner: bytes) -> None:
    sheet = SHEET % (b'<row r="1"><c r="A1"><v>1</v></c></row><row r="1048576">' + corner + b"</row>")
    assert "between the corners" in refusal(tmp_path, sheet_replaced(GOOD_BOOK, sheet), "bomb.xlsx").found


def test_cells_without_a_place_count_side_by_side(tmp_path: Path) -> None:
    sheet = SHEET % (b"<row>" + b"<c><v>1</v></c>" * 40_000 + b"</row>" + b"<row><c><v>1</v></c></row>" * 1_000)
    assert "between the corners" in refusal(tmp_path, sheet_replaced(GOOD_BOOK, sheet), "bomb.xlsx").found


def test_a_row_number_of_a_thousand_digits_is_refused(tmp_path: Path) -> None:
    sheet = SHEET % (b'<row><c r="A1"><v>1</v></c><c r="A' + b"9" * 1_000 + b'"><v>1</v></c></row>')
    assert "between the corners" in refusal(tmp_path, sheet_replaced(GOOD_BOOK, sheet), "bomb.xlsx").found


def test_a_long_shared_text_in_many_cells_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(limits, "MAX_SHEET_TEXT_BYTES", 10 << 20)
    cells = b'<row><c t="s"><v>1</v></c><c t="s"><v>0</v></c></row>'
    shared = b'<sst xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">%s</sst>'
    texts = b"<si><t>case_id</t></si><si><t>" + b"x" * 30_000 + b"</t></si>"
    content = sheet_replaced(with_shared(GOOD_BOOK), SHEET % (cells * 1_000), shared % texts)
    assert "bytes of text" in refusal(tmp_path, content, "bomb.xlsx").found
    harmless = texts.replace(b"<si><t>case_id", b"<si><t>sex</t></si><si><t>case_id")
    content = sheet_replaced(with_shared(GOOD_BOOK), SHEET % (cells * 1_000), shared % harmless)
    path = tmp_path / "harmless.xlsx"
    path.write_bytes(content)
    (table,) = read_file(path, ReadSettings(header_row=1))
    assert table.frame.height == 999


def with_shared(content: bytes) -> bytes:
    """The workbook with a part of shared texts, as spreadsheet programs write it."""
    target = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(target, "w") as new:
        names = old.namelist()
        for name in names:
            new.writestr(name, old.read(name))
        if "xl/sharedStrings.xml" not in names:
            new.writestr("xl/sharedStrings.xml", b"")
    return target.getvalue()


def test_utf_16_inside_a_workbook_is_refused(tmp_path: Path) -> None:
    sheet = (SHEET % b"<row/>").decode().encode("utf-16")
    assert "damaged" in refusal(tmp_path, sheet_replaced(GOOD_BOOK, sheet), "odd.xlsx").found


def test_too_many_parts_and_sheets_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    book = openpyxl.Workbook()
    for _ in range(5):
        book.create_sheet()
    buffer = io.BytesIO()
    book.save(buffer)
    monkeypatch.setattr(limits, "MAX_SHEETS", 5)
    assert "6 sheets" in refusal(tmp_path, buffer.getvalue(), "cases.xlsx").found
    monkeypatch.setattr(limits, "MAX_PACKED_PARTS", 5)
    assert "parts" in refusal(tmp_path, buffer.getvalue(), "cases.xlsx").found


def test_a_protected_part_is_refused(tmp_path: Path) -> None:
    content = bytearray(GOOD_BOOK)
    at = content.find(b"PK\x01\x02")
    while at >= 0:
        content[at + 8] |= 1
        at = content.find(b"PK\x01\x02", at + 4)
    assert "protected by a password" in refusal(tmp_path, bytes(content), "cases.xlsx").found


def test_a_workbook_without_a_table_is_refused(tmp_path: Path) -> None:
    assert "no visible sheet holds a table" in refusal(tmp_path, workbook([["only a note"]]), "cases.xlsx").found
    assert "no row of data" in refusal(tmp_path, workbook([["a", "b"], ["Total", "3"]]), "cases.xlsx").found


def test_a_sheet_with_too_many_columns_is_refused(tmp_path: Path) -> None:
    row = [f"name {i}" for i in range(2_001)]
    assert "2,001 columns" in refusal(tmp_path, workbook([row, row]), "cases.xlsx").found


def test_sheet_names_stay_out_of_messages(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    book.active.title = "Ada Harbour"
    for row in (["case_id", "a", "a"], ["A1", 1, 2]):
        book.active.append(row)
    book.create_sheet("other")
    buffer = io.BytesIO()
    book.save(buffer)
    error = refusal(tmp_path, buffer.getvalue(), "cases.xlsx")
    assert error.where == "cases.xlsx, sheet 1"
    assert "Ada" not in str(error)


def parquet(frame: pl.DataFrame) -> bytes:
    buffer = io.BytesIO()
    frame.write_parquet(buffer)
    return buffer.getvalue()


def test_parquet_that_is_no_plain_table_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    nested = parquet(pl.DataFrame({"case_id": ["A1"], "points": [[1.0, 2.0]], "raw": [b"x"]}))
    assert "points, raw" in refusal(tmp_path, nested, "cases.parquet").found
    plain = parquet(pl.DataFrame({"case_id": ["A1", "A2"], "overjet": [1.0, 2.0]}))
    damaged = plain[:8] + bytes(60) + plain[68:]
    assert "damaged" in refusal(tmp_path, damaged, "cases.parquet").found
    twice = parquet(pl.DataFrame({"Sex": ["m"], "sex": ["f"]}))
    assert "columns A and B" in refusal(tmp_path, twice, "cases.parquet").found
    single = parquet(pl.DataFrame({"case_id": ["A1"]}))
    assert "one column only" in refusal(tmp_path, single, "cases.parquet").found
    empty = parquet(pl.DataFrame({"case_id": [], "sex": []}, schema={"case_id": pl.String, "sex": pl.String}))
    assert "no row of data" in refusal(tmp_path, empty, "cases.parquet").found
    monkeypatch.setattr(limits, "MAX_CELLS", 3)
    assert "2 rows of 2 columns" in refusal(tmp_path, plain, "cases.parquet").found


def test_a_tiny_parquet_file_that_claims_millions_of_cells_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(limits, "MAX_CELLS", 25_000_000)
    ones = pl.repeat(1, 1_300_000, dtype=pl.Int8, eager=True)
    content = parquet(pl.DataFrame({f"c{i}": ones for i in range(20)}))
    assert len(content) < 1 << 18
    assert "1,300,000 rows of 20 columns" in refusal(tmp_path, content, "bomb.parquet").found
