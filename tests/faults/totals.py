"""Totals of the fault suites: what each test counted, summed up at the end of a run.

``MENTON_KEEP_TOTALS=FILE`` also writes the table to a file; ``make proof`` keeps it in ``tests/faults/totals.md``.
"""

from __future__ import annotations

import os
import platform
from collections import Counter
from datetime import date
from pathlib import Path
from typing import Any

PROPERTY = "fault total"
KEEP_VARIABLE = "MENTON_KEEP_TOTALS"


def totals_of(reports: list[Any]) -> Counter[tuple[str, str]]:
    """(Kind, what) -> number, over the reports of all tests; reports may come from other processes."""
    found: Counter[tuple[str, str]] = Counter()
    for report in reports:
        for name, value in report.user_properties if report.when == "call" else ():
            if name == PROPERTY:
                kind, what, n = value
                found[kind, what] += n
    return found


def table(found: Counter[tuple[str, str]], failed: int) -> list[str]:
    """The table in Markdown."""
    lines = ["| kind | what | number |", "|---|---|---:|"]
    for kind in dict.fromkeys(kind for kind, _ in found):
        of_kind = {what: n for (one, what), n in found.items() if one == kind}
        lines += [f"| {kind} | {what} | {n:,} |" for what, n in of_kind.items()]
        lines.append(f"| **{kind}** | **all** | **{sum(of_kind.values()):,}** |")
    lines += ["", f"Tests of this run that failed: {failed}."]
    return lines


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
    if path := os.environ.get(KEEP_VARIABLE):
        machine = f"{date.today()}, Python {platform.python_version()}, {platform.system()} {platform.machine()}"
        head = ["# Totals of the fault suites", "", f"Written by the fault suites of `make proof` ({machine}).", ""]
        Path(path).write_text("\n".join([*head, *lines]) + "\n", encoding="utf-8")
