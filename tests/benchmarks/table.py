"""The one table all benchmarks write to: what was done, to how many cases, how long it took, against what else.

Nothing here asserts anything about time. Ratios are of one run on one machine; seconds are that machine's.
"""

from __future__ import annotations

import os
import platform
import subprocess
import tempfile
import threading
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from importlib.metadata import version
from itertools import pairwise
from math import log10
from pathlib import Path
from typing import Any

import psutil

RESULTS = Path(__file__).with_name("results.md")
KEEP = "MENTON_BENCH_KEEP"
"""Variable that makes a run write the table kept in the project; `make bench` sets it."""

INGEST = "menton ingest: one file of 25 columns, published"
"""What several files of benchmarks call the same thing, so that its growth shows."""

PACKAGES = ("duckdb", "polars", "pandas", "numpy", "pyarrow", "streamlit")


@dataclass(frozen=True, slots=True)
class Row:
    """One thing done once.

    Attributes:
        part: Part of the tool: ingest, marts, rate, compare, dashboard, report, contribution, ...
        what: What was done, and with what.
        n: Cases.
        seconds: Seconds on the clock.
        processor: Seconds of processor time of this process, over all its threads.
        memory: Memory of the process at its highest while it ran, in bytes; None where it was not watched.
        against: What its seconds are a multiple of, and how often.
        result: What the work gave.
        by_processor: Whether processor time is what is a multiple and grows; else it is the clock's.
        asked: How often that may be, where it was asked for.
    """

    part: str
    what: str
    n: int
    seconds: float
    processor: float | None = None
    memory: int | None = None
    against: tuple[tuple[str, float], ...] = ()
    result: Any = None
    by_processor: bool = False
    asked: str = ""

    @property
    def counts(self) -> float:
        """The seconds that are a multiple and grow."""
        return self.processor if self.by_processor and self.processor is not None else self.seconds


@dataclass(slots=True)
class Table:
    """Rows of one run, in the order in which they were taken, and what is to be said of them."""

    rows: list[Row] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)  # Sentences below the table

    def take(
        self, part: str, what: str, work: Callable[[], Any], *, n: int, against: tuple[Row, ...] | list[Row] = ()
    ) -> Row:
        """Do the work, time it, watch its memory, and add a row. ``against``: rows to be a multiple of."""
        with Watched() as watched:
            result = work()
        return self.add(
            Row(part, what, n, watched.seconds, watched.processor, watched.memory, result=result), against=against
        )

    def add(self, row: Row, *, against: tuple[Row, ...] | list[Row] = ()) -> Row:
        """Add a row that was timed elsewhere; rows of other sizes are scaled to its number of cases."""
        compared = tuple(
            (other.what.split(": ")[-1], row.counts / (other.counts * row.n / other.n)) for other in against
        )
        kept = replace(row, against=compared)
        self.rows.append(kept)
        print("\n" + "  ".join(_cells(kept)), end="")
        return kept

    def markdown(self) -> str:
        """The whole table, with the machine and the growth."""
        lines = ["# Benchmarks", "", *_machine(), "", "## What was measured", ""]
        lines += _table(
            ("part", "what", "cases", "seconds", "processor s", "peak GB", "against"), map(_cells, self.rows)
        )
        lines += self._fifty_words()
        lines += [line for note in self.notes for line in ("", note)]
        grown = list(self._growth())
        if grown:
            lines += ["", "## Growth with the number of cases", "", *_growth_words(), ""]
            lines += _table(
                ("part", "what", "seconds at each number of cases", "times the time for ten times the cases", "slope"),
                grown,
            )
        return "\n".join(lines) + "\n"

    def _fifty_words(self) -> list[str]:
        """What can be asked of a page that fifty open at once, by the page that costs least."""
        found = [
            row for row in self.rows if row.what.startswith("Streamlit alone, one line of text: fifty at once, the")
        ]
        if not found:
            return []
        middle, last = (_times(row.against[0][1]) for row in found)
        return [
            "",
            "Fifty people: asked is a page at rest within 5 times its time alone. A page of one line of text of the"
            f" same server takes {middle} for the middle one of fifty and {last} for the last: to take in a person, run"
            " a script for them and send what it draws is processor time of one interpreter, fifty times over, which no"
            " page can share. What can be shared, answers and pictures, is made once for all who may see the same.",
        ]

    def _growth(self) -> list[tuple[str, ...]]:
        series: dict[tuple[str, str], dict[int, float]] = {}
        for row in self.rows:
            series.setdefault((row.part, row.what), {})[row.n] = row.counts
        return [
            (
                part,
                what,
                "; ".join(f"{n:,}: {_seconds(times[n])}" for n in sorted(times)),
                _slopes(times),
                _slope(times),
            )
            for (part, what), times in series.items()
            if len(times) > 2
        ]


def _slopes(times: dict[int, float]) -> str:
    """How many times longer ten times the cases take, step by step."""
    sizes = sorted(times)
    return " → ".join(f"{(times[b] / times[a]) ** (1 / log10(b / a)):.1f}" for a, b in pairwise(sizes))


def _slope(times: dict[int, float]) -> str:
    """By which power of the number of cases the time grows, from the fewest to the most."""
    fewest, most = min(times), max(times)
    return f"{log10(times[most] / times[fewest]) / log10(most / fewest):.2f}"


def _growth_words() -> list[str]:
    return [
        "10 means that time grows as the number of cases does; less, that a fixed share of the time does not grow."
        " Slope: by which power of the number of cases time grows, from the fewest to the most (1: in step; asked: at"
        " most 1.05).",
    ]


def _cells(row: Row) -> tuple[str, ...]:
    return (
        row.part,
        row.what,
        f"{row.n:,}",
        _seconds(row.seconds),
        "" if row.processor is None else _seconds(row.processor),
        "" if row.memory is None else f"{row.memory / 1e9:.2f}",
        "; ".join([*(f"{_times(times)} {what}" for what, times in row.against), *([row.asked] if row.asked else [])]),
    )


def _seconds(value: float) -> str:
    return f"{value:.1f}" if value >= 10 else f"{value:.3g}"


def _times(ratio: float) -> str:
    return f"{ratio:.1f} ×" if ratio >= 1 else f"1/{1 / ratio:.1f} ×" if ratio > 0.001 else f"1/{1 / ratio:,.0f} ×"


def _table(head: tuple[str, ...], rows: Any) -> list[str]:
    return [f"| {' | '.join(cells)} |" for cells in (head, ["---"] * len(head), *rows)]


def _machine() -> list[str]:
    """The machine in general words: no name of it, no folder on it."""
    memory = psutil.virtual_memory().total / 2**30
    listed = ", ".join(f"{package} {version(package)}" for package in PACKAGES)
    busy = f"{psutil.getloadavg()[0]:.1f}" if hasattr(psutil, "getloadavg") else "not known"
    return [
        f"Measured on {time.strftime('%Y-%m-%d')}: {os.cpu_count()} processors ({platform.machine()}), {memory:.0f} GB"
        f" of memory, {platform.system()} {platform.release().split('-')[0]}, Python {platform.python_version()},"
        f" {listed}; other work on the machine at the end of the run: load {busy}.",
        "",
        "Ratios are within this one run. *against*: how many times as long as the other way took for as many cases"
        " (1/5 × means a fifth). *peak GB*: the whole process at its highest while that line ran. Seconds differ"
        " between machines; run `make bench` on yours.",
    ]


class Watched:
    """Seconds, processor time and highest memory of a block, looked at every few milliseconds."""

    def __init__(self) -> None:
        self._process = psutil.Process()
        self._done = threading.Event()
        self._thread = threading.Thread(target=self._watch, daemon=True)
        self.memory, self.seconds, self.processor = 0, 0.0, 0.0

    def _watch(self) -> None:
        while True:
            self.memory = max(self.memory, self._process.memory_info().rss)
            if self._done.wait(0.02):
                return

    def __enter__(self) -> Watched:
        self._thread.start()
        self._began, self._spent = time.perf_counter(), time.process_time()
        return self

    def __exit__(self, *_: object) -> None:
        self.seconds, self.processor = time.perf_counter() - self._began, time.process_time() - self._spent
        self._done.set()
        self._thread.join()


def whole(words: Sequence[str], *, at_most: float = 1800) -> tuple[float, float, int]:
    """Seconds, processor seconds (its children with it) and highest memory in bytes of a program, imports included.

    A program that takes longer than ``at_most`` seconds is ended, and that is an error that says so.
    """
    highest = 0
    with tempfile.TemporaryFile() as said:
        began = time.perf_counter()
        running = subprocess.Popen(words, stdout=said, stderr=subprocess.STDOUT)
        watched = psutil.Process(running.pid)
        while True:
            time.sleep(0.02)
            ended, status, used = os.wait4(running.pid, os.WNOHANG)
            if ended:
                break
            if time.perf_counter() - began > at_most:
                running.kill()
            with suppress(psutil.Error):
                # the kernel's own highest would count what the process that started it had in use
                highest = max(highest, watched.memory_info().rss)
        seconds = time.perf_counter() - began
        running.returncode = os.waitstatus_to_exitcode(status)
        if running.returncode:
            said.seek(0)
            message = f"{' '.join(words)} ended with {running.returncode} after {seconds:.0f} of {at_most:.0f} seconds"
            raise RuntimeError(f"{message}: {said.read().decode(errors='replace')[-2000:]}")
    return seconds, used.ru_utime + used.ru_stime, highest
