"""What several folders of tests share: an invented study group, loaded once a session through the common door."""

from __future__ import annotations

import gc
import os
import pickle
import shutil
import time
from collections.abc import Callable, Generator, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck
from hypothesis import settings as hypothesis_settings
from playwright.sync_api import Browser

from pipelines.ingest.ingest import Outcome, Request, ingest
from synthetic_data.exports import Handover, write_demo
from synthetic_data.settings import Settings
from tests.cohort_settings import with_about
from tests.dashboard.browsing import FLAGS, PATIENCE
from tests.faults.totals import PROPERTY, pytest_terminal_summary  # noqa: F401 - prints the totals of the fault suites
from tests.hand_made import copies

# A busy machine must not fail a property: examples have no deadline, and the same ones are tried every time.
hypothesis_settings.register_profile(
    "menton", deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow]
)
hypothesis_settings.load_profile("menton")


@dataclass(frozen=True, slots=True)
class Study:
    """The invented study group: its exports, the key, and the warehouse they were loaded into."""

    exports: Path
    warehouse: Path
    handovers: tuple[Handover, ...]
    outcomes: tuple[Outcome, ...]


def take_in(handover: Handover, warehouse: Path, *, publish_after: bool = True) -> Outcome:
    """Load what one practice handed over."""
    return ingest(
        Request(
            paths=handover.files,
            warehouse=warehouse,
            mapping=handover.mapping,
            practice=handover.practice,
            publish_after=publish_after,
            confirm=lambda _: True,
        )
    )


LONGEST = (
    "dashboard/test_group_in_browser.py",
    "dashboard/test_own_files_by_page.py",
    "pipelines/test_ways_back.py",
    "faults/test_hostile",
    "dashboard/test_browser.py",
    "pipelines/test_main_job.py",
    "dashboard/test_photographs_only.py",
    "faults/test_kill_commands.py",
    "dashboard/test_login.py",
    "dashboard/test_gate.py",
    "warehouse/test_records_beside.py",
    "dashboard/test_pages.py",
    "pipelines/points/test_points_ingest.py",
    "pipelines/test_own_files.py",
    "warehouse/test_marts.py",
    "faults/",
    "dashboard/",
    "warehouse/engine/",
    "pipelines/",
)
"""Files (beginnings of their paths) that run first: a long one that began last would leave the other process idle."""

LONGEST_WAIT = 900
"""Seconds that a process waits for the study group which another one makes; usually half a minute."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Files that take longest first; ``make test`` tells pytest-xdist to keep this order."""
    here = Path(__file__).parent

    def place(item: pytest.Item) -> int:
        path = item.path.relative_to(here).as_posix()
        return next((n for n, beginning in enumerate(LONGEST) if path.startswith(beginning)), len(LONGEST))

    items.sort(key=place)


@pytest.hookimpl(wrapper=True)
def pytest_collection() -> Generator[None, object, object]:
    """What is imported stays: the collector need not look through half a million objects again and again.

    Nor through what tests keep, as often as it would: a sixth of the processor time of tests of pages and commands.
    """
    gc.disable()
    try:
        return (yield)
    finally:
        gc.collect()
        gc.freeze()
        gc.set_threshold(100_000, 20, 10)
        gc.enable()


@pytest.fixture(scope="session", autouse=True)
def _copies(tmp_path_factory: pytest.TempPathFactory) -> None:
    """Where warehouses of hand-written rows are kept for tests that need the same."""
    copies.place = tmp_path_factory.mktemp("copies")


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item: pytest.Item) -> None:
    """Tests of the warehouse take part in the keeping, save those that change the program."""
    is_of_warehouse = item.path.is_relative_to(Path(__file__).parent / "warehouse")
    copies.is_used = is_of_warehouse and "monkeypatch" not in getattr(item, "fixturenames", ())


@pytest.fixture
def count(record_property: Callable[[str, Any], None]) -> Callable[[str, str, int], None]:
    """Add to the totals printed at the end: a kind (attacks, kills, inputs ...), what of it, and how many."""

    def add(kind: str, what: str, n: int) -> None:
        record_property(PROPERTY, [kind, what, n])

    return add


@pytest.fixture(scope="session")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    """About 400 invented cases of seven practices in one warehouse. Tests only read it.

    Made once for all processes of a run; each has its own copy of the warehouse, since writers shut others out.
    """
    if "PYTEST_XDIST_WORKER" not in os.environ:
        return made_study(tmp_path_factory.mktemp("study"))
    shared = tmp_path_factory.getbasetemp().parent / "study"
    done = shared / "made"
    try:
        shared.mkdir()
    except FileExistsError:
        for _ in range(5 * LONGEST_WAIT):  # the other process is making it
            if done.exists():
                break
            time.sleep(0.2)
    else:
        draft = shared / "draft"
        draft.write_bytes(pickle.dumps(made_study(shared)))
        draft.rename(done)
    assert done.exists(), "the process that makes the study group failed"
    made: Study = pickle.loads(done.read_bytes())
    own = tmp_path_factory.mktemp("study")
    for path in made.warehouse.parent.glob(f"{made.warehouse.name}*"):  # the folder, and the key beside it
        (shutil.copytree if path.is_dir() else shutil.copy)(path, own / path.name)
    return replace(made, warehouse=own / made.warehouse.name)


def made_study(folder: Path) -> Study:
    """The study made in a folder."""
    handovers = tuple(write_demo(folder / "exports", settings=with_about(Settings(), 400)))
    last = handovers[-1]
    outcomes = tuple(take_in(one, folder / "warehouse", publish_after=one is last) for one in handovers)
    return Study(folder / "exports", folder / "warehouse", handovers, outcomes)


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """The system's Chromium, or else the one that Playwright fetched (tests/install_browser.sh)."""
    from playwright.sync_api import Error, sync_playwright

    found = shutil.which("chromium") or shutil.which("chromium-browser")
    with sync_playwright() as play:
        try:
            launched = play.chromium.launch(executable_path=found, args=list(FLAGS), timeout=PATIENCE)
        except Error as fault:
            if found is not None:
                raise
            pytest.fail(f"sh tests/install_browser.sh: {fault.message.splitlines()[0]}", pytrace=False)
        yield launched
        launched.close()
