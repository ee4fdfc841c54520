"""Killed at random moments (SIGKILL, which nothing can catch): no partial load, no acknowledged load lost, and
readers always see a whole snapshot."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from dashboard.access.working import OpenWarehouse, Work, one_reader
from tests.faults.worker import CASES
from tests.warm import python
from warehouse.marts.reader import Reader
from warehouse.store.snapshot import POINTER, current_snapshot
from warehouse.store.storage import Connection
from warehouse.store.store import STORE
from warehouse.upkeep.verify import verify

pytestmark = pytest.mark.skipif(os.name == "nt", reason="SIGKILL and fork are of POSIX systems")
ROOT = Path(__file__).parents[2]
KILLS_OF_ONE_WAREHOUSE = 5
STEPS = ("opening", "loading", "loaded ", "published ")


class Worker:
    """The other end of ``tests/faults/worker.py``."""

    def __init__(self) -> None:
        self.process = subprocess.Popen(
            [python(), "-m", "tests.faults.worker"],
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.given, self.told = self.process.stdin, self.process.stdout

    def start(self, folder: Path, rounds: int = 0) -> tuple[int, list[str]]:
        """Start a child; gives its number and the lines that came before it was told."""
        self.given.write(f"{folder}\t{rounds}\n")
        self.given.flush()
        lines: list[str] = []
        while not (line := self.told.readline()).startswith("child "):
            assert line, "the worker died"
            lines.append(line.strip())
        return int(line.split()[1]), lines

    def until(self, step: str, told: list[str]) -> list[str]:
        """The lines that the child tells after ``told`` until one begins with ``step``."""
        lines: list[str] = []
        while not any(line.startswith(step) for line in (*told, *lines)):
            line = self.told.readline()
            assert line, "the worker died"
            lines.append(line.strip())
        return lines

    def rest(self) -> list[str]:
        """What the child told until it ended."""
        lines = [""]
        while not lines[-1].startswith("ended "):
            line = self.told.readline()
            assert line, "the worker died"
            lines.append(line.strip())
        return lines[1:]

    def close(self) -> None:
        self.given.close()
        self.process.wait(timeout=60)
        self.told.close()


@pytest.fixture(scope="module")
def worker() -> Iterator[Worker]:
    made = Worker()
    yield made
    made.close()


def whole_loads(reader: Reader) -> int:
    """The loads of a build, every one with all its cases and what was found of them."""
    loads = reader.connection.value("select count(*) from mart_loads")
    cases = reader.connection.value("select count(*) from mart_cases")
    outcomes = reader.connection.value("select count(*) from mart_outcomes where definition_id = 'D1'")
    assert cases == outcomes == loads * CASES
    return int(loads)


def see_whole(folder: Path) -> int:
    """Read as a reader does; gives the loads seen, 0 where nothing is published."""
    if not (folder / POINTER).exists():
        return 0
    with Reader.open(folder) as reader:
        return whole_loads(reader)


class Person(threading.Thread):
    """Somebody who looks again and again, as a page does, at the newest warehouse of a folder of several."""

    def __init__(self, folder: Path, over: threading.Event) -> None:
        super().__init__(daemon=True)
        self.folder, self.over = folder, over
        self.looks, self.faults = 0, list[str]()

    def run(self) -> None:
        newest, loads = self.folder, 0
        while not self.over.wait(0.5):
            published = sorted(self.folder.glob(f"w*/{POINTER}"), key=lambda path: path.parent.stat().st_mtime)
            if not published:
                continue
            newest, loads = published[-1].parent, loads if newest == published[-1].parent else 0
            try:
                with one_reader():
                    now = Work(OpenWarehouse(folder=newest), current_snapshot(newest), whole_loads, {}).done()
            except Exception as error:  # told by the test, not by the thread
                self.faults.append(repr(error))
                return
            if now < loads:
                self.faults.append(f"{now} loads after {loads}")
            loads, self.looks = now, self.looks + 1


@contextmanager
def ten_people_reading(folder: Path) -> Iterator[list[Person]]:
    over = threading.Event()
    people = [Person(folder, over) for _ in range(10)]
    for person in people:
        person.start()
    try:
        yield people
    finally:
        over.set()
        for person in people:
            person.join(60)


def stored_loads(folder: Path) -> int:
    """Loads in the store as the next program finds them; every one has all its rows."""
    if not (folder / STORE).exists():
        return 0
    assert verify(folder).faults == ()
    with Connection(folder / STORE, read_only=True) as store:
        if not store.rows("select 1 from duckdb_tables() where table_name = 'cases'"):
            return 0
        loads = store.value("select count(*) from loads")
        assert store.value("select count(*) from cases where replaced_by is null") == loads * CASES
    return int(loads)


def kill_after(worker: Worker, folder: Path, step: str, seconds: float) -> list[str]:
    """Start a child, wait until it told ``step``, read as readers do meanwhile, kill it; gives what it told.

    Waiting for a step and not for the clock alone lets kills fall on every step on a machine of any speed.
    """
    child, lines = worker.start(folder)
    lines += worker.until(step, lines)
    until = time.monotonic() + seconds
    seen = 0
    while time.monotonic() < until:
        now = see_whole(folder)
        assert now >= seen, "a reader saw an older snapshot after a newer one"
        seen = now
        time.sleep(0.02)
    os.kill(child, signal.SIGKILL)
    return lines + worker.rest()


def last_published(lines: list[str]) -> int:
    """The last load whose publication was told."""
    published = load = 0
    for line in lines:
        if line.startswith("loaded "):
            load = int(line.split()[1])
        elif line.startswith("published "):
            published = load
    return published


def kill_many(worker: Worker, folder: Path, kills: int, *, seed: int) -> Counter[str]:
    """Kill ``kills`` children at random moments, checking after each; gives the last step each had told."""
    rng = random.Random(seed)
    steps: Counter[str] = Counter()
    before = 0
    for number in range(kills):
        is_fresh = number % KILLS_OF_ONE_WAREHOUSE == 0
        warehouse = folder / f"w{number // KILLS_OF_ONE_WAREHOUSE}"
        before = 0 if is_fresh else before
        # most of them soon after a step, so that a quick machine is not always killed at the longest one
        lines = kill_after(worker, warehouse, rng.choice(STEPS), 0.4 * rng.random() ** 3)
        assert lines[-1] == "ended -9"
        acknowledged = sum(line.startswith("loaded ") for line in lines)
        steps[lines[-2].split()[0]] += 1
        published = see_whole(warehouse)
        assert published >= last_published(lines), "a snapshot that was acknowledged is not what readers see"
        after = stored_loads(warehouse)
        assert before + acknowledged <= after <= before + acknowledged + 1
        if (number + 1) % KILLS_OF_ONE_WAREHOUSE == 0:
            run_once(worker, warehouse, after)
        before = after
    return steps


def run_once(worker: Worker, warehouse: Path, before: int) -> None:
    """The next run succeeds, and readers see everything."""
    worker.start(warehouse, rounds=1)
    assert worker.rest()[-1] == "ended 0"
    assert stored_loads(warehouse) == see_whole(warehouse) == before + 1
    assert verify(warehouse).notes == ()
    assert not list(warehouse.glob("*.draft*"))


@pytest.mark.parametrize("kills", [8, pytest.param(60, marks=pytest.mark.slow)])
def test_kills_while_ten_people_read_lose_nothing_and_nobody_sees_half_a_build(
    kills: int, worker: Worker, tmp_path: Path, count: Callable[[str, str, int], None]
) -> None:
    with ten_people_reading(tmp_path) as people:
        steps = kill_many(worker, tmp_path, kills, seed=kills)
    assert [fault for person in people for fault in person.faults] == []
    assert all(person.looks for person in people)
    assert steps.total() == kills
    assert len(steps) >= 2, "the kills must fall on different steps"
    count("kills", "loading and publishing while ten people read", kills)
    count("looks", "at whole builds meanwhile", sum(person.looks for person in people))


@pytest.mark.slow
def test_two_hundred_kills_lose_nothing(worker: Worker, tmp_path: Path, count: Callable[[str, str, int], None]) -> None:
    steps = kill_many(worker, tmp_path, 200, seed=200)
    assert steps.total() == 200
    assert steps["loading"] > 0
    assert steps["loaded"] > 0
    for step, n in steps.items():
        count("kills", f"loading and publishing, last told: {step}", n)


HEADER = (
    "case_id,sex,age_at_start,selection,status,comparison,phase_1_appliance_category,months_from_start_finish,"
    "sn_gogn_deg_start,sn_gogn_deg_finish\n"
)


@pytest.mark.slow
def test_the_command_itself_killed_ten_times_loads_each_file_whole_or_not_at_all(
    tmp_path: Path, count: Callable[[str, str, int], None]
) -> None:
    rng = random.Random(10)
    warehouse, source = tmp_path / "w", tmp_path / "cases.csv"
    rows = "".join(f"c{n},female,11,consecutive,finished,treated,fixed_labial,24,32,33\n" for n in range(400))
    source.write_text(HEADER + rows, encoding="utf-8")
    words = [sys.executable, "-m", "pipelines.cli", "ingest", "--again", str(source), "--warehouse", str(warehouse)]
    started = time.monotonic()
    subprocess.run(words, cwd=ROOT, check=True, capture_output=True)
    whole = time.monotonic() - started
    for _ in range(10):
        with subprocess.Popen(words, cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as process:
            time.sleep(rng.uniform(0.3, 1.0) * whole)
            process.kill()
        found = verify(warehouse)
        assert found.faults == ()
        with Reader.open(warehouse) as reader:
            assert reader.connection.value("select count(*) from mart_cases") == 400
    subprocess.run(words, cwd=ROOT, check=True, capture_output=True)
    assert verify(warehouse).notes == ()
    count("kills", "menton ingest itself", 10)
