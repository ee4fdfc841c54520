"""Every door through which foreign bytes come in, with inputs changed at random: taken whole, or refused in words.

The slow suite gives ``MENTON_FUZZ_INPUTS`` inputs in all (a million unless it says otherwise), shared out by door.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.ingest.ingest import Request, ingest
from tests.faults.fuzzing import DOORS, WIDE, FoundError, changed, entered, input_of, run
from tests.hand_made import load_rows, made_case
from warehouse.errors import MentonError
from warehouse.store.storage import Connection
from warehouse.store.store import STORE
from warehouse.upkeep.verify import verify

ORDINARY = 200
INPUTS = int(os.environ.get("MENTON_FUZZ_INPUTS", "1000000"))
WHOLE = sum(door.share for door in DOORS.values())
COSTLY = {"reading, mapping and interpreting": 40, "workbooks": 80, "text files": 100}
"""Doors that get fewer inputs in an ordinary run."""


@pytest.mark.parametrize("name", DOORS)
def test_valid_inputs_are_taken(name: str) -> None:
    door = DOORS[name]
    for label, content in door.seeds():
        assert door.enter(label, content)


@pytest.mark.parametrize("name", DOORS)
def test_changed_inputs_are_taken_or_refused_in_words(name: str, count: Callable[[str, str, int], None]) -> None:
    n_inputs = COSTLY.get(name, ORDINARY)

    @settings(max_examples=n_inputs)
    @given(n=st.integers(0, 2**40))
    def enter(n: int) -> None:
        entered(name, DOORS[name], n, *input_of(name, DOORS[name], n))

    enter()
    count("inputs", name, n_inputs)


@pytest.mark.slow
@pytest.mark.parametrize("name", DOORS)
def test_a_share_of_a_million_changed_inputs_is_taken_or_refused_in_words(
    name: str, count: Callable[[str, str, int], None]
) -> None:
    n_inputs = max(len(DOORS[name].seeds()) + 1, round(INPUTS * DOORS[name].share / WHOLE))
    tally = run(name, range(n_inputs))
    print(f"\n{name}: {tally.n:,} inputs, {tally.taken:,} taken, {tally.n / tally.seconds:,.0f} a second")
    assert tally.n == n_inputs
    assert 0 < tally.taken < tally.n
    count("inputs", name, tally.n)


def test_the_shares_make_a_million() -> None:
    assert WHOLE == 1_000_000


def test_the_fuzzing_itself_notices_what_it_is_there_to_notice(monkeypatch: pytest.MonkeyPatch) -> None:
    door = DOORS["access files"]

    def crash(_: str, content: bytes) -> bool:
        if len(content) % 7 == 0:
            raise KeyError("x")
        return True

    def noise(_: str, __: bytes) -> bool:
        os.write(2, b"thread '<unnamed>' panicked\n")
        return True

    for enter, words in ((crash, "KeyError"), (noise, "wrote to standard error")):
        monkeypatch.setitem(DOORS, "broken", type(door)(door.seeds, enter, 1))
        with pytest.raises(FoundError, match=words):
            run("broken", range(60))


# ---- nothing is loaded half


def fuzz_loading(folder: Path, place: Path, n_inputs: int, *, seed: str) -> tuple[int, int]:
    """Ingest changed files into one warehouse; gives how many were loaded and how many refused.

    Each is loaded with every row accounted for, or leaves the store as it was.
    """
    import random

    rng, loaded, refused = random.Random(seed), 0, 0
    source = place / "cases.csv"
    for _ in range(n_inputs):
        source.write_bytes(changed(WIDE.replace('"12,5"', "12").encode(), rng) or b"\n")
        before = state_of(folder)
        try:
            outcome = ingest(Request(paths=(source,), warehouse=folder, publish_after=False, confirm=lambda _: True))
        except MentonError:
            assert state_of(folder)[0] == before[0]
            refused += 1
            continue
        for record in outcome.loaded:
            assert record.n_read == record.n_loaded + record.n_turned_away
        assert state_of(folder)[0] == before[0] + len(outcome.loaded)
        loaded += len(outcome.loaded)
    return loaded, refused


def state_of(folder: Path) -> tuple[int, int]:
    with Connection(folder / STORE, read_only=True) as store:
        return store.rows("select (select count(*) from loads), (select count(*) from cases)")[0]  # type: ignore[return-value]


@pytest.mark.parametrize("n_inputs", [5, pytest.param(150, marks=pytest.mark.slow)])
def test_a_changed_file_is_loaded_whole_or_leaves_the_warehouse_as_it_was(
    n_inputs: int, tmp_path: Path, count: Callable[[str, str, int], None]
) -> None:
    load_rows(tmp_path / "w", [made_case("a", sn_gogn_deg_start=32.0, sn_gogn_deg_finish=33.0)])
    loaded, refused = fuzz_loading(tmp_path / "w", tmp_path, n_inputs, seed=f"loading {n_inputs}")
    assert loaded > 0
    assert refused > 0
    assert verify(tmp_path / "w").is_sound
    count("inputs", "ingest", n_inputs)
