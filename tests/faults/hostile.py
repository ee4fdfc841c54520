"""Files made to hang a machine, to fill its memory or to be taken for what they are not; each is small on the disk."""

from __future__ import annotations

import io
import struct
import zipfile
import zlib
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq

HEADER = "case_id,sex,selection,status,comparison\n"
ROW = "c{},female,consecutive,finished,treated\n"


def workbook_parts() -> dict[str, bytes]:
    book, buffer = openpyxl.Workbook(), io.BytesIO()
    assert book.active is not None
    for line in (HEADER, ROW.format(1), ROW.format(2)):
        book.active.append(line.strip().split(","))
    book.save(buffer)
    with zipfile.ZipFile(buffer) as packed:
        return {name: packed.read(name) for name in packed.namelist()}


SHEET = "xl/worksheets/sheet1.xml"
TEXTS = "xl/sharedStrings.xml"
OPEN = b'<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>'
SHUT = b"</sheetData></worksheet>"


def workbook(path: Path, parts: dict[str, bytes], *, more: Callable[[zipfile.ZipFile], None] | None = None) -> None:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as packed:
        for name, data in {**workbook_parts(), **parts}.items():
            packed.writestr(name, data)
        if more:
            more(packed)


def huge_member(path: Path) -> None:
    """A sheet of 2 GB of blanks in 2 MB."""

    def add(packed: zipfile.ZipFile) -> None:
        with packed.open("xl/worksheets/sheet9.xml", "w", force_zip64=True) as stream:
            for _ in range(2048):
                stream.write(b" " * (1 << 20))

    workbook(path, {}, more=add)


def add_packed(path: Path, name: str, packed: bytes, *, size: int, crc: int = 0) -> None:
    """Add a part that is packed already, of the size that is said."""
    data = bytearray(path.read_bytes())
    at, start = data.rfind(b"PK\x05\x06"), data.find(b"PK\x01\x02")
    fields = (20, 0, 8, 0, 0, crc, len(packed), size, len(name), 0)
    local = struct.pack("<4s5H3I2H", b"PK\x03\x04", *fields) + name.encode() + packed
    central = struct.pack("<4s6H3I5H2I", b"PK\x01\x02", 20, *fields, 0, 0, 0, 0, start) + name.encode()
    end = bytearray(data[at:])
    count, length = struct.unpack_from("<H", end, 8)[0] + 1, struct.unpack_from("<I", end, 12)[0] + len(central)
    struct.pack_into("<HHII", end, 8, count, count, length, start + len(local))
    path.write_bytes(data[:start] + local + data[start:at] + central + end)


def packed_again_and_again(block: bytes, times: int, *, level: int = 6) -> bytes:
    """A block packed as many times over. It is packed once: after a full flush nothing refers to what was before it."""
    packer = zlib.compressobj(level, zlib.DEFLATED, -15)
    once = packer.compress(block) + packer.flush(zlib.Z_FULL_FLUSH)
    return once * times + packer.flush()


def lying_member(path: Path) -> None:
    """A sheet of 400 MB that its directory says has 1,000 bytes."""
    workbook(path, {})
    add_packed(path, "xl/worksheets/sheet9.xml", packed_again_and_again(b" " * (1 << 20), 400, level=1), size=1000)


def opposite_corners(path: Path) -> None:
    cells = b'<row r="1"><c r="A1"><v>1</v></c></row><row r="1048576"><c r="XFD1048576"><v>1</v></c></row>'
    workbook(path, {SHEET: OPEN + cells + SHUT})


def one_text_a_million_times(path: Path) -> None:
    text = b"<sst><si><t>" + b"x" * 30_000 + b"</t></si></sst>"
    rows = b"".join(b'<row><c t="s"><v>0</v></c><c t="s"><v>0</v></c></row>' for _ in range(500_000))
    workbook(path, {TEXTS: text, SHEET: OPEN + rows + SHUT})


def many_entries(path: Path) -> None:
    workbook(path, {}, more=lambda packed: [packed.writestr(f"x/{n}", b"") for n in range(20_000)] and None)


def texts_within_texts(path: Path) -> None:
    """Ten entities, each ten of the one before."""
    entities = b'<!ENTITY a0 "xxxxxxxxxx">' + b"".join(
        b'<!ENTITY a%d "%s">' % (n, b"&a%d;" % (n - 1) * 10) for n in range(1, 11)
    )
    text = b'<?xml version="1.0"?><!DOCTYPE sst [' + entities + b"]><sst><si><t>&a10;</t></si></sst>"
    workbook(path, {TEXTS: text, SHEET: OPEN + b'<row r="1"><c r="A1" t="s"><v>0</v></c></row>' + SHUT})


def file_within_text(path: Path) -> None:
    """An entity that names a file of the machine."""
    text = (
        b'<?xml version="1.0"?><!DOCTYPE sst [<!ENTITY f SYSTEM "file:///etc/passwd">]><sst><si><t>&f;</t></si></sst>'
    )
    cell = b'<c r="%s1" t="s"><v>0</v></c>'
    workbook(path, {TEXTS: text, SHEET: OPEN + b'<row r="1">' + cell % b"A" + cell % b"B" + b"</row>" + SHUT})


def deep_markup(path: Path) -> None:
    workbook(path, {SHEET: OPEN + b"<row>" * 1_000_000 + SHUT})


def one_line_of_a_gigabyte(path: Path) -> None:
    with path.open("wb") as stream:
        stream.write(b"x" * (3 << 20))
        stream.truncate(1 << 30)


def a_million_columns(path: Path) -> None:
    path.write_text("\n".join([",".join(f"c{n}" for n in range(130_000)), "," * 129_999]), encoding="ascii")


def columns_over_many_lines(path: Path) -> None:
    """A quoted heading that never ends."""
    path.write_bytes(b'case_id,"' + b"x,\n" * 2_000_000)


def huge_cell(path: Path) -> None:
    path.write_bytes(HEADER.encode() + b'c1,"' + b"female\n" * 200_000 + b'",consecutive,finished,treated\n')


def only_delimiters(path: Path) -> None:
    line = b"," * 1_999 + b"\n"
    path.write_bytes(b",".join(b"c%d" % n for n in range(2_000)) + b"\n" + line * 150_000)


def only_quotes(path: Path) -> None:
    path.write_bytes(HEADER.encode() + b'"' * 900_001 + b"\n")


def zero_bytes(path: Path) -> None:
    path.write_bytes(HEADER.encode() + bytes(1_000_000))


def deep_list(path: Path) -> None:
    path.write_bytes(b"[" * 1_000_000)


def deep_objects(path: Path) -> None:
    path.write_bytes(b'[{"a":' * 200_000 + b"1" + b"}]" * 200_000)


def a_million_keys(path: Path) -> None:
    path.write_bytes(b"[{" + b",".join(b'"k%d":1' % n for n in range(1_000_000)) + b"}]")


def endless_number(path: Path) -> None:
    record = '{{"case_id": "c{}", "sex": "female", "selection": "consecutive", "status": "finished", "age": {}}}'
    path.write_text(f"[{record.format(1, '9' * 1_000_000)}, {record.format(2, 11)}]", encoding="ascii")


def text_a_million_times(path: Path) -> None:
    """Parquet: 30,000 letters once, and two million rows that refer to them."""
    codes = pa.DictionaryArray.from_arrays(pa.array([0] * 1_000_000, pa.int32()), pa.array(["x" * 30_000]))
    pq.write_table(pa.table({"case_id": codes, "sex": codes}), path, compression="zstd", store_schema=False)


def endless_text(path: Path) -> None:
    pq.write_table(pa.table({"case_id": ["x" * 5_000_000], "sex": ["female"]}), path)


def lying_footer(path: Path) -> None:
    """Parquet whose own description claims to be longer than the file."""
    pq.write_table(pa.table({"case_id": ["a"], "sex": ["female"]}), path)
    path.write_bytes(path.read_bytes()[:-8] + struct.pack("<I", 2**31 - 1) + b"PAR1")


def lying_rows(path: Path) -> None:
    """Parquet that claims many more rows than it holds: the number stands twice in its description."""
    pq.write_table(pa.table({"case_id": ["a"] * 77, "sex": ["female"] * 77}), path, compression="none")
    data = bytearray(path.read_bytes())
    start = len(data) - 8 - struct.unpack("<I", data[-8:-4])[0]
    number = bytes([77 << 1 & 0x7F | 0x80, 77 << 1 >> 7])
    data[start:] = data[start:].replace(number, bytes([0xFE, 0x7F]))
    path.write_bytes(data)


def packed_a_thousandfold(path: Path, blocks: int = 1_500) -> None:
    """A workbook of some megabytes whose one sheet takes a megabyte a block: row after row of the same."""
    rows = b'<row><c t="inlineStr"><is><t>aaaaaaaa</t></is></c><c><v>1</v></c></row>' * 15_000
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/workbook.xml", "<workbook/>")
    crc = 0
    for _ in range(blocks):
        crc = zlib.crc32(rows, crc)
    packed = packed_again_and_again(rows, blocks)
    add_packed(path, "xl/worksheets/sheet1.xml", packed, size=blocks * len(rows), crc=crc)


def rows_out_of_nothing(path: Path) -> None:
    """A Parquet file of some kilobytes that stands for 100 million empty cells."""
    import polars as pl

    nothing = pl.repeat(None, 5_000_000, dtype=pl.Int8, eager=True)
    pl.DataFrame({f"c{n}": nothing for n in range(20)}).write_parquet(path)


def values_beside_every_point(path: Path) -> None:
    """Tracings whose 1,500 own values would each stand beside 15,000 points: 22 million cells out of half a MB."""
    own = ",".join(f'"n{n}":{n}' for n in range(1_500))
    points = ",".join(f'"p{n}":[1,2]' for n in range(15_000))
    path.write_text(f'[{{{own},"points":{{{points}}}}}]', encoding="utf-8")


OUT_OF_PROPORTION: dict[str, tuple[str, Callable[[Path], None]]] = {
    "a workbook packed a thousandfold": ("f.xlsx", packed_a_thousandfold),
    "a workbook packed as well, below what any may hold": ("f.xlsx", partial(packed_a_thousandfold, blocks=600)),
    "rows out of nothing": ("f.parquet", rows_out_of_nothing),
    "values beside every point": ("f.json", values_beside_every_point),
}
"""Small files that would take gigabytes: refused by what they say of themselves."""

HOSTILE: dict[str, tuple[str, Callable[[Path], None]]] = {
    "a directory that lies about the size": ("f.xlsx", lying_member),
    "two cells in opposite corners": ("f.xlsx", opposite_corners),
    "one text a million times": ("f.xlsx", one_text_a_million_times),
    "20,000 parts": ("f.xlsx", many_entries),
    "texts within texts": ("f.xlsx", texts_within_texts),
    "a file of the machine as text": ("f.xlsx", file_within_text),
    "markup a million deep": ("f.xlsx", deep_markup),
    "one line of a gigabyte": ("f.csv", one_line_of_a_gigabyte),
    "130,000 columns": ("f.csv", a_million_columns),
    "a heading that never ends": ("f.csv", columns_over_many_lines),
    "a cell of a megabyte": ("f.csv", huge_cell),
    "300 million delimiters": ("f.csv", only_delimiters),
    "nothing but quotation marks": ("f.csv", only_quotes),
    "zero bytes": ("f.csv", zero_bytes),
    "lists a million deep": ("f.json", deep_list),
    "objects 200,000 deep": ("f.json", deep_objects),
    "a million keys": ("f.json", a_million_keys),
    "a text that two million cells refer to": ("f.parquet", text_a_million_times),
    "a text of five megabytes": ("f.parquet", endless_text),
    "a footer that lies about its length": ("f.parquet", lying_footer),
    "a footer that lies about the rows": ("f.parquet", lying_rows),
}
"""What it is -> name of the file and what makes it; the name decides nothing but between text and JSON."""

HOSTILE_AND_LONG = {"a sheet of two gigabytes": ("f.xlsx", huge_member)}
ODD_BUT_READ = {"a number of a million digits": ("f.json", endless_number)}

TOML: dict[str, bytes] = {
    "lists 100,000 deep": b"a = " + b"[" * 100_000,
    "tables 100,000 deep": b"[" + b".".join([b"a"] * 100_000) + b"]\nb = 1\n",
    "inline tables 50,000 deep": b"a = " + b"{a=" * 50_000,
    "a number of 400 digits": b"a = " + b"9" * 400,
    "a number of 10,000 digits": b"a = " + b"9" * 10_000,
    "ten megabytes": b"# " + b"x" * 10_000_000,
    "a date that cannot be": b"a = 2020-02-31",
    "no UTF-8": b"\xff\xfe[columns]",
    "a million keys": b"[columns]\n" + b"".join(b"k%d=1\n" % n for n in range(300_000)),
}


def made(folder: Path, cases: dict[str, tuple[str, Callable[[Path], None]]]) -> Iterator[tuple[str, Path]]:
    """Each file in turn; it is removed before the next."""
    for what, (name, make) in cases.items():
        path = folder / name
        make(path)
        yield what, path
        Path(path).unlink()
