"""Totals of the fault suites: what each test counted, summed up at the end of a run.

``MENTON_KEEP_TOTALS=FILE`` also writes the table to a file, as ``make proof`` does to ``tests/faults/totals.md``; the
same to a file that ends in ``.json`` keeps a piece of a run. ``python -m tests.faults.totals PIECE ...`` prints the
table of pieces; what a file of tests counted in a later one takes the place of what it counted before.
"""

from __future__ import annotations

import json
import os
import platform
import sys
from collections import Counter
from collections.abc import Iterable
from datetime import date
from pathlib import Path
from typing import Any

PROPERTY = "fault total"
KEEP_VARIABLE = "MENTON_KEEP_TOTALS"


def totals_of(reports: Iterable[Any]) -> dict[str, list[tuple[str, str, int]]]:
    """File of tests -> kind, what and number, over the reports of all tests, which may come from other processes."""
    found: dict[str, Counter[tuple[str, str]]] = {}
    for report in reports:
        for name, value in report.user_properties if report.when == "call" else ():
            if name == PROPERTY:
                kind, what, n = value
                found.setdefault(report.nodeid.partition("::")[0], Counter())[kind, what] += n
    return {file: [(kind, what, n) for (kind, what), n in counted.items()] for file, counted in found.items()}


def table(found: dict[str, list[tuple[str, str, int]]], failed: int) -> list[str]:
    """The table in Markdown."""
    summed: Counter[tuple[str, str]] = Counter()
    for counted in found.values():
        for kind, what, n in counted:
            summed[kind, what] += n
    lines = ["| kind | what | number |", "|---|---|---:|"]
    for kind in sorted({kind for kind, _ in summed}):
        of_kind = {what: n for (one, what), n in summed.items() if one == kind}
        lines += [f"| {kind} | {what} | {n:,} |" for what, n in of_kind.items()]
        lines.append(f"| **{kind}** | **all** | **{sum(of_kind.values()):,}** |")
    return [*lines, "", f"Tests that failed: {failed}."]


def page(lines: Iterable[str], how: str) -> str:
    """The page with the table."""
    return "\n".join(
        ["# Totals of the fault suites", "", f"Written by the fault suites of `make proof` ({how}).", "", *lines]
    )


def machine() -> str:
    """The day, and what it ran on."""
    return f"{date.today()}, Python {platform.python_version()}, {platform.system()} {platform.machine()}"


def pytest_terminal_summary(terminalreporter: Any) -> None:
    """Print the totals, and keep them where it is asked for."""
    passed, failed = (terminalreporter.stats.get(name, []) for name in ("passed", "failed"))
    found = totals_of(passed)
    if not found:
        return
    lines = table(found, len(failed))
    terminalreporter.section("totals of the fault suites")
    for line in lines:
        terminalreporter.write_line(line)
    path = os.environ.get(KEEP_VARIABLE, "")
    if path.endswith(".json"):
        wrong = dict(Counter(report.nodeid.partition("::")[0] for report in failed))
        piece = {"how": machine(), "found": found, "failed": wrong}
        Path(path).write_text(json.dumps(piece), encoding="utf-8")
    elif path:
        Path(path).write_text(page(lines, machine()) + "\n", encoding="utf-8")


if __name__ == "__main__":
    pieces = [json.loads(Path(one).read_text(encoding="utf-8")) for one in sys.argv[1:]]
    every: dict[str, list[tuple[str, str, int]]] = {}
    every_failed: dict[str, int] = {}
    for piece in pieces:
        every |= piece["found"]
        every_failed = {file: n for file, n in every_failed.items() if file not in piece["found"]} | piece["failed"]
    print(page(table(every, sum(every_failed.values())), f"in {len(pieces)} pieces; {pieces[-1]['how']}"))
