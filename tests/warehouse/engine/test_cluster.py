"""A real Spark master and two workers on this machine: the marts and rates of a build are those of DuckDB.

Run by ``make spark``. Skipped where pyspark or Java is missing.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import pytest

from tests.dashboard.browsing import ENDS_WITH_US
from tests.warehouse.engine.conftest import BY, DEFINITIONS, Built
from tests.warehouse.engine.same_marts import assert_same_marts

SPEC = find_spec("pyspark")
SPARK = Path(SPEC.origin or "").parent if SPEC else Path("absent")
PATIENCE = 900.0
"""Seconds to wait for a state that must come; a busy machine must not fail the test."""

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not (SPARK / "jars").is_dir(), reason="pyspark is not installed: make spark installs it"),
    pytest.mark.skipif(shutil.which("java") is None, reason="there is no Java here"),
]


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        port: int = one.getsockname()[1]
    return port


def wait_for(state: Callable[[], bool], what: str) -> None:
    end = time.monotonic() + PATIENCE
    while not state():
        assert time.monotonic() < end, f"{what} did not come"
        time.sleep(0.02)


@dataclass(slots=True)
class Cluster:
    """A master and its workers; each is the leader of a process group of its own."""

    folder: Path
    port: int = field(default_factory=free_port)
    web_port: int = field(default_factory=free_port)
    processes: list[subprocess.Popen[bytes]] = field(default_factory=list)

    @property
    def master(self) -> str:
        return f"spark://127.0.0.1:{self.port}"

    def launch(self, role: str, *options: str) -> subprocess.Popen[bytes]:
        with (self.folder / f"{role}-{len(self.processes)}.log").open("wb") as log:
            process = subprocess.Popen(
                [*ENDS_WITH_US, str(SPARK / "bin" / "spark-class"), f"org.apache.spark.deploy.{role}", *options],
                env={**os.environ, "SPARK_HOME": str(SPARK), "SPARK_LOCAL_IP": "127.0.0.1"},
                stdout=log,
                stderr=log,
                start_new_session=True,
            )
        self.processes.append(process)
        return process

    def start_master(self) -> None:
        ports = ("--port", str(self.port), "--webui-port", str(self.web_port))
        self.launch("master.Master", "--host", "127.0.0.1", *ports)
        wait_for(lambda: self.state() is not None, "the master")

    def add_worker(self) -> tuple[subprocess.Popen[bytes], Path]:
        n, work = self.alive(), self.folder / f"work-{len(self.processes)}"
        size = ("--cores", "1", "--memory", "1g", "--webui-port", str(free_port()), "--work-dir", str(work))
        process = self.launch("worker.Worker", self.master, "--host", "127.0.0.1", *size)
        wait_for(lambda: self.alive() == n + 1, "the worker")
        return process, work

    def state(self) -> dict[str, Any] | None:
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{self.web_port}/json/", timeout=5) as answer:
                found: dict[str, Any] = json.load(answer)
        except (OSError, ValueError):
            return None
        return found

    def alive(self) -> int:
        state = self.state() or {"workers": []}
        return sum(worker["state"] == "ALIVE" for worker in state["workers"])

    def stop(self) -> None:
        for process in self.processes:
            kill(process)


def kill(process: subprocess.Popen[bytes]) -> None:
    """End a process and all it started, at once and without a word."""
    with suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)
    process.wait()


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[Cluster]:
    one = Cluster(tmp_path)
    try:
        one.start_master()
        yield one
    finally:
        one.stop()


def build_command(cluster: Cluster, built: Built, out: Path, *options: str) -> list[str]:
    asked = [f"--by={by}" for by in BY if by] + [f"--definition={one}" for one in DEFINITIONS]
    small = ["spark.sql.shuffle.partitions=4", "spark.executor.memory=600m", "spark.driver.memory=800m"]
    return [
        *(sys.executable, "-m", "pipelines.cli", "build", "--engine", "spark", "--master", cluster.master),
        *("--records", str(built.records), "--out", str(out), "--wait", str(PATIENCE)),
        *(word for setting in small for word in ("--conf", setting)),
        *asked,
        *options,
    ]


def test_two_workers_give_the_marts_and_rates_of_duckdb(cluster: Cluster, built: Built, tmp_path: Path) -> None:
    works = [cluster.add_worker()[1] for _ in range(2)]
    done = subprocess.run(
        build_command(cluster, built, tmp_path / "marts"), capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr[-3000:]
    n = assert_same_marts(built.marts, tmp_path / "marts")
    assert all(list(work.glob("app-*/*/stderr")) for work in works), "both workers took part"
    print(f"\n{n:,} values of the marts and rates alike: counts exactly, numbers to 1e-12")


def test_a_worker_killed_on_the_way_changes_nothing(cluster: Cluster, built: Built, tmp_path: Path) -> None:
    (victim, work), _ = cluster.add_worker(), cluster.add_worker()
    marts = tmp_path / "marts"
    with (tmp_path / "build.log").open("wb") as log:
        build = subprocess.Popen(build_command(cluster, built, marts), stdout=log, stderr=log)
        try:
            # tasks of this mart are at work: Spark collects their output below _temporary until all are done
            wait_for(
                lambda: (marts / "mart_spans.parquet" / "_temporary").exists() or build.poll() is not None, "the marts"
            )
            assert build.poll() is None, (tmp_path / "build.log").read_text()[-3000:]
            assert list(work.glob("app-*/*/stderr")), "the worker to be killed was at work"
            kill(victim)
            assert not (marts / "rates.parquet").exists(), "it was killed before the end"
            assert build.wait(PATIENCE) == 0, (tmp_path / "build.log").read_text()[-3000:]
        finally:
            build.kill()
            build.wait()
    wait_for(lambda: cluster.alive() == 1, "the master's word that a worker is gone")
    n = assert_same_marts(built.marts, marts)
    print(f"\none of two workers killed while mart_spans was made; {n:,} values alike")


def test_a_master_without_workers_is_told_within_the_time(cluster: Cluster, built: Built, tmp_path: Path) -> None:
    command = build_command(cluster, built, tmp_path / "marts", "--wait", "120")
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=PATIENCE)
    assert done.returncode == 1
    assert "has no worker that takes up work within 120 seconds" in done.stderr
