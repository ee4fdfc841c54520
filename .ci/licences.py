"""Writes the licence list of everything the lock installs: ``python .ci/licences.py > .ci/licences.md``.

Names and licences come from the metadata of the installed distributions; what the lock names for other systems only is
said to be so.
"""

from __future__ import annotations

import re
import sys
from importlib.metadata import PackageNotFoundError, distribution
from pathlib import Path

ROOT = Path(__file__).parent.parent
PINNED = re.compile(r"^([A-Za-z0-9._-]+)==([^\s;\\]+)", re.MULTILINE)


def pinned(lock: Path) -> list[tuple[str, str]]:
    """Names and versions of a lock."""
    return PINNED.findall(lock.read_text(encoding="utf-8"))


def licence(name: str) -> str:
    """The licence a distribution states, in one line."""
    try:
        stated = distribution(name).metadata
    except PackageNotFoundError:
        return "(for other systems only; not installed here)"
    classified = [line.rpartition("::")[2].strip() for line in stated.get_all("Classifier", []) if "License ::" in line]
    if not classified and not stated.get("License-Expression") and not stated.get("License"):
        return from_file(name)
    text = stated.get("License-Expression") or "; ".join(classified) or (stated.get("License") or "not stated")
    return text.strip().splitlines()[0][:80].replace("|", "/")


def from_file(name: str) -> str:
    """The first line of a licence file a distribution carries."""
    for file in distribution(name).files or []:
        if "licen" in file.name.lower():
            lines = [line.strip() for line in file.read_text().splitlines() if line.strip()]
            return f"{lines[0][:60]} (its file {file.name})"
    return "not stated"


def page() -> str:
    """The list in Markdown."""
    rows = [f"| {name} | {version} | {licence(name)} |" for name, version in pinned(ROOT / "requirements.lock")]
    head = (
        "# Licences of what `requirements.lock` installs",
        "",
        "Written by `.ci/licences.py`.",
        "",
        "| distribution | version | licence |",
        "|---|---|---|",
    )
    return "\n".join([*head, *rows]) + "\n"


if __name__ == "__main__":
    sys.stdout.write(page())
