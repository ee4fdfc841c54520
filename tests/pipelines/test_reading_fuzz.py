"""Whatever the bytes, the reader gives tables or one BadFileError: no other exception, no crash, no hang."""

from __future__ import annotations

import io
import json
import random
import zipfile
from functools import lru_cache
from pathlib import Path
from tempfile import TemporaryDirectory

import openpyxl
import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines.contract.delivery import RawTable
from pipelines.reading.files import read_file
from pipelines.reading.settings import ReadSettings
from warehouse.errors import BadFileError

ROWS = [
    ["case_id", "sex", "Größe", "overjet", "date"],
    *[[f"A{i}", "male", "35,2", str(i / 10), "03.04.2021"] for i in range(30)],
    ["Summe", "", "", "43,5", ""],
]
ENDINGS = (".csv", ".txt", ".xlsx", ".parquet", ".json")


@lru_cache(maxsize=1)
def valid_files() -> tuple[tuple[str, bytes], ...]:
    """A small valid file of each kind."""
    text = "\r\n".join(";".join(row) for row in ROWS)
    quoted = "\n".join(",".join(f'"{cell}"' for cell in row) for row in ROWS)
    book, buffer = openpyxl.Workbook(), io.BytesIO()
    for row in ROWS:
        book.active.append(row)
    book.save(buffer)
    plain = io.BytesIO()
    with zipfile.ZipFile(buffer) as old, zipfile.ZipFile(plain, "w") as new:
        for name in old.namelist():
            new.writestr(name, old.read(name))
    columnar = io.BytesIO()
    frame = pl.DataFrame(ROWS[1:], schema=ROWS[0], orient="row")
    frame.with_columns(pl.lit(1.5).alias("x")).write_parquet(columnar, compression="uncompressed")
    return (
        (".csv", text.encode("cp1252")),
        (".txt", text.encode("utf-16")),
        (".csv", quoted.encode()),
        (".json", json.dumps(frame.to_dicts()).encode()),
        (".xlsx", buffer.getvalue()),
        (".xlsx", plain.getvalue()),
        (".parquet", columnar.getvalue()),
    )


def mutated(content: bytes, seed: int) -> bytes:
    """The bytes with a few random changes: flips, cuts, repeats, insertions of troublesome pieces."""
    pick = random.Random(seed)
    data = bytearray(content)
    pieces = (b'"', b"\x00", b"\n", b"\r", b";", b",", b"\xff", b"\xef\xbb\xbf", b"'", b"<c r='ZZ9'>", b"9" * 400)
    for _ in range(pick.randint(1, 6)):
        at = pick.randrange(len(data) + 1)
        kind = pick.randrange(5)
        if kind == 0 and at < len(data):
            data[at] = pick.randrange(256)
        elif kind == 1:
            del data[at : at + pick.randint(1, 50)]
        elif kind == 2:
            data[at:at] = data[at : at + pick.randint(1, 200)]
        elif kind == 3:
            data[at:at] = pick.choice(pieces)
        else:
            del data[pick.randint(len(data) // 2, len(data)) :]
    return bytes(data)


def repacked(content: bytes, seed: int) -> bytes:
    """A workbook with one part changed and sound checksums, so that the change reaches the parser."""
    pick = random.Random(seed)
    target = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(target, "w") as new:
        chosen = pick.choice(old.namelist())
        for name in old.namelist():
            part = old.read(name)
            new.writestr(name, mutated(part, seed) if name == chosen else part)
    return target.getvalue()


def check(content: bytes, ending: str, stated: ReadSettings | None = None) -> None:
    with TemporaryDirectory() as folder:
        path = Path(folder) / f"file{ending}"
        path.write_bytes(content)
        message = ""
        tables: list[RawTable] = []
        try:
            tables = read_file(path, stated)
        except BadFileError as error:
            message = str(error)
    assert tables or message
    assert folder not in message
    for table in tables:
        assert isinstance(table, RawTable)
        assert table.frame.height == table.rows.len() > 0
        assert table.rows.is_sorted()
        assert len({name.casefold() for name in table.frame.columns}) == table.frame.width >= 1


stated = st.builds(
    ReadSettings,
    encoding=st.sampled_from([None, "utf-8", "cp1252", "utf-16"]),
    delimiter=st.sampled_from([None, ",", ";", "\t", "x"]),
    decimal=st.sampled_from([None, ",", "."]),
    header_row=st.sampled_from([None, 1, 2, 50]),
    skip_totals=st.booleans(),
)
any_bytes = st.binary(max_size=400) | st.text(st.sampled_from('ab1,;\t|"\n\r \u00e4.-='), max_size=300).map(str.encode)
quick = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow], max_examples=100)
thorough = settings(quick, max_examples=20_000)


def random_bytes(content: bytes, ending: str, said: ReadSettings) -> None:
    check(content, ending, said)


def random_changes(index: int, seed: int, said: ReadSettings) -> None:
    ending, content = valid_files()[index]
    check(mutated(content, seed), ending, said)


def random_parts(seed: int) -> None:
    check(repacked(valid_files()[4][1], seed), ".xlsx")


given_bytes = given(content=any_bytes, ending=st.sampled_from(ENDINGS), said=stated)
given_changes = given(index=st.integers(0, 6), seed=st.integers(0, 2**32), said=stated)
given_parts = given(seed=st.integers(0, 2**32))


def test_valid_files_are_read() -> None:
    for ending, content in valid_files():
        check(content, ending)


test_random_bytes = quick(given_bytes(random_bytes))
test_random_changes_of_valid_files = quick(given_changes(random_changes))
test_random_changes_inside_workbooks = quick(given_parts(random_parts))

test_random_bytes_at_length = pytest.mark.slow(thorough(given_bytes(random_bytes)))
test_random_changes_of_valid_files_at_length = pytest.mark.slow(thorough(given_changes(random_changes)))
test_random_changes_inside_workbooks_at_length = pytest.mark.slow(thorough(given_parts(random_parts)))
