"""Hostile files given to ``menton ingest``: refused in words, within bounds of processor time and memory."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.faults.hostile import HEADER, HOSTILE, HOSTILE_AND_LONG, ODD_BUT_READ, OUT_OF_PROPORTION, ROW, TOML
from tests.faults.stepper import Stepper
from tests.hand_made import load_rows, made_case
from warehouse.store.storage import Connection
from warehouse.store.store import STORE
from warehouse.upkeep.verify import verify

pytestmark = pytest.mark.skipif(os.name == "nt", reason="time and memory of a child are told on POSIX systems")

MOST_SECONDS = 60
"""Processor time, not time on the clock: a busy machine does not add to it. Seen: below 8."""

MOST_MEMORY = 2_000
"""Mebibytes, 400 of which are the program itself. Seen: below 1,100."""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("hostile") / "w"
    load_rows(folder, [made_case("a", sn_gogn_deg_start=32.0, sn_gogn_deg_finish=33.0)])
    return folder


def loads(folder: Path) -> int:
    with Connection(folder / STORE, read_only=True) as store:
        return int(store.value("select count(*) from loads"))


def assert_refused(stepper: Stepper, folder: Path, words: list[str]) -> None:
    code, _ = stepper.run([*words, "--warehouse", str(folder)])
    said = stepper.said()
    assert code == 1, said[:2000]
    for trace in ("Traceback", "panicked", "root:", "fault of the program"):
        assert trace not in said
    assert "what to do:" in said or "expected:" in said
    assert len(said) < 5_000
    assert stepper.milliseconds < 1000 * MOST_SECONDS
    assert stepper.kibibytes < 1024 * MOST_MEMORY
    assert loads(folder) == 1


SLOW = [pytest.param(what, marks=pytest.mark.slow) for what in HOSTILE_AND_LONG]


@pytest.mark.parametrize("what", [*HOSTILE, *SLOW])
def test_a_hostile_file_is_refused_within_bounds(
    what: str, stepper: Stepper, folder: Path, tmp_path: Path, count: Callable[[str, str, int], None]
) -> None:
    name, make = {**HOSTILE, **HOSTILE_AND_LONG}[what]
    make(tmp_path / name)
    assert_refused(stepper, folder, ["ingest", str(tmp_path / name)])
    print(f"\n{what}: {stepper.milliseconds / 1000:.1f} s, {stepper.kibibytes // 1024} MB")
    (tmp_path / name).unlink()
    count("faults", "hostile files", 1)


LITTLE_TIME, LITTLE_MEMORY = 2, 500
"""Seconds of processor time and mebibytes, those of the program itself in it."""


@pytest.fixture(scope="module")
def grown(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Path]:
    """Gives a file out of proportion by what it is; made once for all commands, since to pack it takes long."""
    place = tmp_path_factory.mktemp("grown")

    def made(what: str) -> Path:
        name, make = OUT_OF_PROPORTION[what]
        path = place / what / name
        if not path.parent.exists():
            path.parent.mkdir()
            make(path)
        return path

    return made


@pytest.mark.parametrize("what", OUT_OF_PROPORTION)
@pytest.mark.parametrize("command", ["ingest", "draft-mapping"])
def test_a_file_that_would_grow_out_of_proportion_is_refused_before_it_does(
    command: str,
    what: str,
    grown: Callable[[str], Path],
    stepper: Stepper,
    folder: Path,
    count: Callable[[str, str, int], None],
) -> None:
    """Finding: a workbook of 3.9 MB that unpacks to 1.5 GB took 7.6 GB and 60 s to draft a mapping for."""
    path = grown(what)
    assert path.stat().st_size < 8_000_000
    at = ["--warehouse", str(folder)] if command == "ingest" else []
    code, _ = stepper.run([command, str(path), *at])
    said = stepper.said()
    assert code == 1, said
    assert "at most" in said
    assert "what to do:" in said
    print(f"\n{command}, {what}: {stepper.milliseconds / 1000:.1f} s, {stepper.kibibytes // 1024} MB")
    assert stepper.milliseconds < 1000 * LITTLE_TIME
    assert stepper.kibibytes < 1024 * LITTLE_MEMORY
    count("faults", "hostile files", 1)


@pytest.mark.parametrize("what", TOML)
def test_a_hostile_mapping_is_refused_within_bounds(
    what: str, stepper: Stepper, folder: Path, tmp_path: Path, count: Callable[[str, str, int], None]
) -> None:
    (tmp_path / "cases.csv").write_text(HEADER + ROW.format(1), encoding="utf-8")
    (tmp_path / "m.toml").write_bytes(TOML[what])
    assert_refused(stepper, folder, ["ingest", str(tmp_path / "cases.csv"), "--mapping", str(tmp_path / "m.toml")])
    count("faults", "hostile mappings", 1)


@pytest.mark.parametrize("what", TOML)
@pytest.mark.parametrize("command", ["definitions", "measures", "plan"])
def test_a_hostile_definition_measure_or_plan_is_refused_within_bounds(
    command: str, what: str, stepper: Stepper, folder: Path, tmp_path: Path, count: Callable[[str, str, int], None]
) -> None:
    (tmp_path / "m.toml").write_bytes(TOML[what])
    assert_refused(stepper, folder, [command, "--add", str(tmp_path / "m.toml")])
    count("faults", "hostile definitions, measures and plans", 1)


@pytest.mark.parametrize("what", ODD_BUT_READ)
def test_an_odd_value_turns_its_row_away_and_no_more(
    what: str, stepper: Stepper, tmp_path: Path, count: Callable[[str, str, int], None]
) -> None:
    name, make = ODD_BUT_READ[what]
    make(tmp_path / name)
    code, _ = stepper.run(["ingest", str(tmp_path / name), "--warehouse", str(tmp_path / "w")])
    assert code in {0, 1}, stepper.said()[:2000]
    assert "Traceback" not in stepper.said()
    assert len(stepper.said()) < 5_000
    count("faults", "hostile files", 1)


def test_a_folder_that_leads_back_into_itself_is_read_once(stepper: Stepper, folder: Path, tmp_path: Path) -> None:
    (tmp_path / "f").mkdir()
    (tmp_path / "f" / "again").symlink_to(tmp_path / "f")
    (tmp_path / "f" / "cases.csv").write_bytes(b"\xff\xfe\x00")
    assert_refused(stepper, folder, ["ingest", str(tmp_path / "f")])


def test_a_link_to_itself_is_refused(stepper: Stepper, folder: Path, tmp_path: Path) -> None:
    (tmp_path / "loop.csv").symlink_to(tmp_path / "loop.csv")
    assert_refused(stepper, folder, ["ingest", str(tmp_path / "loop.csv")])


def test_the_warehouse_is_sound_after_all_of_it(folder: Path) -> None:
    assert verify(folder).is_sound
