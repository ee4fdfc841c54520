"""One flipped bit in a used block of a store, encrypted or not, is reported by ``menton verify`` in one sentence.

Which blocks are used is asked of DuckDB, before the damage (``pragma_storage_info`` and ``pragma_metadata_info``).
Block n lies after three headers of 4096 bytes; a block takes 262144 (DuckDB's storage format, from memory).
"""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path

import pytest

from pipelines.cli import main
from tests.hand_made import load_rows, made_case
from warehouse.errors import WarehouseError
from warehouse.store.snapshot import POINTER
from warehouse.store.storage import Connection
from warehouse.store.store import STORE
from warehouse.upkeep.rekey import rekey
from warehouse.upkeep.verify import verify

KEY = "k" * 40
HEADERS, BLOCK = 3 * 4096, 262144
FLIPS = (40, pytest.param(200, marks=pytest.mark.slow))


def used_blocks(folder: Path, key: str | None) -> tuple[list[int], list[int]]:
    """Blocks with rows of a table, and those with the list of what is where."""
    with Connection(folder / STORE, read_only=True, key=key) as store:
        tables = [
            name for (name,) in store.rows("select table_name from duckdb_tables() where database_name = 'menton'")
        ]
        rows = {
            block
            for table in tables
            for (block,) in store.rows(f"select distinct block_id from pragma_storage_info('{table}') where persistent")
            if block is not None and block >= 0
        }
        lists = {block for (block,) in store.rows("select distinct block_id from pragma_metadata_info()")}
    return sorted(rows), sorted(lists - rows)


@pytest.mark.parametrize("flips", FLIPS)
@pytest.mark.parametrize("key", [None, KEY], ids=["plain", "encrypted"])
def test_every_flipped_bit_is_reported(
    tmp_path: Path, key: str | None, flips: int, count: Callable[[str, str, int], None]
) -> None:
    folder = tmp_path / "w"
    load_rows(folder, [made_case(f"c{n}", sn_gogn_deg_start=32.0, sn_gogn_deg_finish=33.0) for n in range(40)])
    if key:
        rekey(folder, key=None, new_key=key)
    sound = (folder / STORE).read_bytes()
    with_rows, with_lists = used_blocks(folder, key)
    assert with_rows
    assert with_lists
    chance = random.Random(17)
    for number in range(flips):
        block = chance.choice(with_lists if number % 10 == 0 else with_rows)
        bit = chance.randrange(BLOCK * 8)
        damaged = bytearray(sound)
        damaged[HEADERS + block * BLOCK + bit // 8] ^= 1 << bit % 8
        (folder / STORE).write_bytes(damaged)
        try:
            found = verify(folder, key=key)
        except WarehouseError as error:
            assert "damaged" in error.found  # noqa: PT017 - the list of tables itself cannot be read
            assert "menton restore" in error.remedy  # noqa: PT017
            assert block in with_lists, (block, bit)
        else:
            (fault, *_) = found.faults
            assert fault.check == "every_block_is_readable"
            assert fault.sentence.startswith("the table "), (block, bit)
            assert "menton restore" in fault.sentence
    (folder / STORE).write_bytes(sound)
    assert verify(folder, key=key).is_sound
    count("faults", f"flipped bits in used blocks of {'an encrypted' if key else 'a plain'} store", flips)


def test_the_command_says_it_in_one_sentence_and_never_that_the_fault_is_its_own(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder, key = tmp_path / "w", tmp_path / "key"
    load_rows(folder, [made_case("c", sn_gogn_deg_start=32.0, sn_gogn_deg_finish=33.0)])
    rekey(folder, key=None, new_key=KEY)
    key.write_text(KEY, encoding="utf-8")
    key.chmod(0o600)
    damaged = bytearray((folder / STORE).read_bytes())
    damaged[HEADERS + used_blocks(folder, KEY)[0][0] * BLOCK + 100] ^= 1
    (folder / STORE).write_bytes(damaged)
    words = ["--warehouse", str(folder), "--encryption-key-file", str(key)]
    assert main(["verify", *words]) == 1
    said = capsys.readouterr()
    assert "WRONG (every_block_is_readable): the table " in said.out
    assert "fault is ours" not in said.out + said.err
    assert main(["publish", *words]) == 1
    said = capsys.readouterr()
    assert "the file is damaged" in said.err
    assert "fault is ours" not in said.out + said.err


def test_a_missing_pointer_is_reported_where_builds_are_on_record(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    load_rows(tmp_path, [made_case("c", sn_gogn_deg_start=32.0, sn_gogn_deg_finish=33.0)])
    (tmp_path / POINTER).unlink()
    assert main(["verify", "--warehouse", str(tmp_path)]) == 1
    said = capsys.readouterr().out
    assert "WRONG (pointer_is_there): builds are on record, but current.json" in said
    assert "run `menton publish` to make it again" in said
