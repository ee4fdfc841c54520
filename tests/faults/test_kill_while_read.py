"""Sixty loads killed at a step of their own while ten people read: nothing is lost, nobody sees half a build."""

from __future__ import annotations

import os
import random
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from dashboard.access.working import OpenWarehouse, Work, one_reader
from tests.faults.stepper import Stepper
from tests.hand_made import load_rows, made_case
from warehouse.marts.reader import Reader
from warehouse.store.snapshot import current_snapshot
from warehouse.store.storage import Connection
from warehouse.store.store import STORE
from warehouse.upkeep.verify import verify

pytestmark = pytest.mark.skipif(os.name == "nt", reason="SIGKILL and fork are of POSIX systems")

HEADER = (
    "case_id,sex,age_at_start,selection,status,comparison,phase_1_appliance_category,months_from_start_finish,"
    "sn_gogn_deg_start,sn_gogn_deg_finish\n"
)
READERS, STEP = 10, 7
"""People who read, and cases that come with every load: a build holds a multiple of them."""


def counted_cases(reader: Reader) -> tuple[str, int, int]:
    """The build, its cases, and the rows of results that must go with them."""
    (build,) = reader.connection.rows("select build_id from mart_build")[0]
    cases = reader.connection.value("select count(*) from mart_cases")
    settled = reader.connection.value("select count(*) from mart_outcomes where definition_id = 'D1'")
    return str(build), int(cases), int(settled)


class Reading(threading.Thread):
    """Somebody who reads again and again, as a page does."""

    def __init__(self, folder: Path, over: threading.Event) -> None:
        super().__init__(daemon=True)
        self.folder, self.over = folder, over
        self.seen: dict[str, set[tuple[int, int]]] = {}
        self.fault = ""

    def run(self) -> None:
        while not self.over.is_set():
            try:
                with one_reader():
                    work = Work(OpenWarehouse(folder=self.folder), current_snapshot(self.folder), counted_cases, {})
                    build, cases, settled = work.done()
            except Exception as error:
                self.fault = repr(error)
                return
            self.seen.setdefault(build, set()).add((cases, settled))
            self.over.wait(0.05)


@pytest.mark.parametrize("kills", [6, pytest.param(60, marks=pytest.mark.slow)])
def test_loads_killed_while_people_read(
    kills: int, stepper: Stepper, tmp_path: Path, count: Callable[[str, str, int], None]
) -> None:
    folder, source, chance = tmp_path / "w", tmp_path / "cases.csv", random.Random(60)
    load_rows(folder, [made_case(f"a{n}", sn_gogn_deg_start=32.0, sn_gogn_deg_finish=33.0) for n in range(STEP)])
    over = threading.Event()
    people = [Reading(folder, over) for _ in range(READERS)]
    for person in people:
        person.start()
    n_loads, steps = 1, 0
    for number in range(kills):
        row = "{}-{},female,11,consecutive,finished,treated,fixed_labial,24,32,33\n"
        source.write_text(HEADER + "".join(row.format(number, n) for n in range(STEP)), encoding="utf-8")
        words = ["ingest", str(source), "--warehouse", str(folder), "--yes"]
        if not steps:
            code, steps = stepper.run(words)
            assert code == 0, stepper.said()
            n_loads += 1
            continue
        stepper.run(words, kill=chance.randrange(1, steps))
        with Connection(folder / STORE, read_only=True) as store:
            there = store.value("select count(*) from cases where replaced_by is null")
        assert there in {STEP * n_loads, STEP * (n_loads + 1)}, "all of a load, or nothing"
        code, _ = stepper.run(words, counted=False)
        assert code == 0, stepper.said()
        n_loads += 1
    over.set()
    for person in people:
        person.join(60)
    assert [person.fault for person in people if person.fault] == []
    seen: dict[str, set[tuple[int, int]]] = {}
    for person in people:
        for build, found in person.seen.items():
            seen.setdefault(build, set()).update(found)
    assert len(seen) > 1, "builds changed while they read"
    for found in seen.values():
        ((cases, settled),) = found  # everybody saw the same of a build
        assert cases == settled
        assert cases % STEP == 0
    found = verify(folder)
    assert found.is_sound, found.faults
    with Reader.open(folder) as reader:
        assert reader.connection.value("select count(*) from mart_cases") == STEP * n_loads
    count("kills", "loading and publishing while ten people read", kills - 1)
