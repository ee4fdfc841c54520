"""The compression a Parquet file states, read without Arrow, held against what Arrow wrote."""

from __future__ import annotations

import io

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from pipelines.group.contribution import codecs_in, read_cases
from warehouse.errors import GroupError

TABLE = pa.table({"sex": ["female", "male"] * 40, "n": list(range(80))})
CODECS = {"none": 0, "snappy": 1, "gzip": 2, "brotli": 4, "zstd": 6, "lz4": 7}
"""Numbers of the Parquet format specification (CompressionCodec), from memory; Arrow writes lz4 as LZ4_RAW."""


def written(codec: object, table: pa.Table = TABLE, **options: object) -> bytes:
    buffer = io.BytesIO()
    pq.write_table(table, buffer, compression=codec, **options)
    return buffer.getvalue()


@pytest.mark.parametrize(("codec", "number"), CODECS.items())
def test_the_number_is_that_of_the_compression_arrow_wrote(codec: str, number: int) -> None:
    assert codecs_in(written(codec)) == {number}
    assert codecs_in(written(codec, row_group_size=7)) == {number}


def test_every_column_counts() -> None:
    assert codecs_in(written({"sex": "none", "n": "zstd"})) == {0, 6}


def test_a_compression_nobody_knows_is_refused_and_does_not_end_the_program() -> None:
    whole = written("none", TABLE.select(["sex"]))
    seen = set()
    for place in range(len(whole) - 8 - int.from_bytes(whole[-8:-4], "little"), len(whole) - 8):
        for value in range(0, 256, 5):
            changed = bytearray(whole)
            changed[place] = value
            try:
                codecs = codecs_in(bytes(changed))
            except ValueError:
                continue
            if codecs - set(range(8)):
                seen |= codecs
                with pytest.raises(GroupError, match="a column is compressed"):
                    read_cases(bytes(changed), allowed={"sex": ("female", "male")}, most=100)
    assert seen - set(range(8))


@pytest.mark.parametrize(
    "data",
    [b"", b"PAR1PAR1", b"PAR1" * 5, written("none")[:-9] + b"PAR1", b"PAR1" + b"\x19" * 40 + b"\x28\x00\x00\x00PAR1"],
)
def test_what_is_no_footer_is_refused(data: bytes) -> None:
    with pytest.raises(ValueError, match="no description of a Parquet file"):
        codecs_in(data)
