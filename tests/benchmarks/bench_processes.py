"""What people wait for: whole commands, cold start included, as a multiple of importing Polars and DuckDB.

Run with ``python -m pytest tests/benchmarks/bench_processes.py -m benchmark -s``. Processor seconds (user and system)
of the process and all that it waits for, the least of three; the commands take turns with the bare import, so that
other work on the machine meets all of them. Python keeps what it compiled, as it does for an installed program. Nothing
is asserted about time, only that every command ended well.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Mapping
from pathlib import Path

import pytest

from tests.benchmarks.growing import filled_store
from tests.benchmarks.table import Row, Table
from warehouse.marts.publish import publish

LARGEST = int(os.environ.get("MENTON_BENCH_LARGEST", "1000000"))
SIZES = tuple(n for n in (10_000, 100_000, 1_000_000) if n <= LARGEST)
DEMO = 1_000
"""Treated consecutive cases of the demo."""
TIMES = int(os.environ.get("MENTON_BENCH_TIMES", "3"))
BARE = ("-c", "import polars, duckdb")
MENTON = ("-c", "import sys; from pipelines.cli import main; sys.exit(main())")
PAIR = ("--a", "expander_tooth_borne", "--b", "fixed_labial")
COMMANDS = {
    "menton rate": ("rate",),
    "menton compare": ("compare",),
    "menton compare, two groups adjusted": ("compare", *PAIR),
    "menton drift": ("drift",),
    "menton verify": ("verify",),
    "menton publish": ("publish",),
    "menton report, HTML": ("report", "--out", "report.html"),
    "menton report, PDF": ("report", "--out", "report.pdf"),
    "menton report, slides": ("report", "--out", "report.pptx"),
    "menton report, a folder with everything": ("report", "--out", "everything"),
}
ASKED = {
    "menton rate": "1.3 ×",
    "menton compare": "3 ×",
    "menton drift": "3 s at a million cases",
    "menton report, HTML": "7 × of the demo, 10 × of a million cases",
    "menton report, PDF": "7 × of the demo",
    "menton report, slides": "7 × of the demo",
    "menton report, a folder with everything": "14 × of the demo",
}


def spent(words: tuple[str, ...], folder: Path, compiled: Path) -> tuple[float, float]:
    """Seconds on the clock and of processor time of a Python process and its children, in this folder."""
    told = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    told |= {"PYTHONPYCACHEPREFIX": str(compiled), "PYTHONPATH": str(Path(__file__).parents[2])}
    start = time.perf_counter()
    with subprocess.Popen([sys.executable, *words], cwd=folder, env=told, stdout=subprocess.DEVNULL) as process:
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    assert process.returncode == 0, words
    return time.perf_counter() - start, used.ru_utime + used.ru_stime


def processes(n: int, folder: Path, compiled: Path, table: Table, commands: Mapping[str, tuple[str, ...]]) -> None:
    """Rows of the commands on the warehouse ``menton-data`` in the folder, and of the bare import in turn with them."""
    words = {"bare import": BARE} | {what: (*MENTON, *given) for what, given in commands.items()}
    found: dict[str, list[tuple[float, float]]] = {what: [] for what in words}
    for what, given in words.items():  # compiled once
        found[what].append(spent(given, folder, compiled))
    for _ in range(TIMES - 1):
        for what, given in words.items():
            found[what].append(spent(given, folder, compiled))
    rows = {
        what: Row(
            "process", what, n, min(wall for wall, _ in times), min(spent for _, spent in times), by_processor=True
        )
        for what, times in found.items()
    }
    bare = table.add(rows.pop("bare import"))
    for row in rows.values():
        table.add(row, against=[bare])


@pytest.fixture(scope="module")
def compiled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where Python keeps what it compiled."""
    return tmp_path_factory.mktemp("compiled")


@pytest.mark.benchmark
def test_commands_of_the_demo(tmp_path: Path, compiled: Path, table: Table) -> None:
    spent((*MENTON, "demo"), tmp_path, compiled)
    table.notes.append(
        "Asked of whole processes: " + "; ".join(f"{what} {asked}" for what, asked in ASKED.items()) + "."
    )
    drifting = {"menton drift": ("drift", "--practice", _a_practice(tmp_path))}
    processes(DEMO, tmp_path, compiled, table, COMMANDS | drifting)


def _a_practice(folder: Path) -> str:
    from warehouse.marts.reader import Reader

    with Reader.open(folder / "menton-data") as reader:
        ((practice,),) = reader.connection.rows("select min(cast(practice as varchar)) from mart_cases")
    return str(practice)


@pytest.mark.benchmark
@pytest.mark.parametrize("n", SIZES)
def test_commands_of_many_cases(n: int, tmp_path: Path, compiled: Path, table: Table) -> None:
    with filled_store(tmp_path / "menton-data", n) as store:
        store.execute("update case_registry set practice = 'P0'")  # drift is about one practice
        publish(tmp_path / "menton-data", store)
    asked = dict(COMMANDS)
    if n >= 1_000_000:  # takes minutes, most of them for the pictures
        del asked["menton report, a folder with everything"]
    processes(n, tmp_path, compiled, table, asked)
