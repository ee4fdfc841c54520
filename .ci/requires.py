"""Writes what the locks name but the tests' environment may lack, with what each of it asks for: ``.ci/requires.json``.

``python .ci/requires.py > .ci/requires.json``, in that environment. tests/test_supply_chain.py reads the rest from the
metadata of what is installed; this is for other Pythons and systems, and for the environments beside it.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

from packaging.requirements import Requirement

ROOT = Path(__file__).parent.parent
BESIDE = ("requirements-spark.lock", ".ci/sail.lock", ".ci/fuzzing.lock", ".ci/benching.lock")
PYTHONS = ("3.11", "3.14", "3.13")  # tried in this order: not every release has a wheel for each
REPORT = ("--quiet", "--dry-run", "--no-deps", "--ignore-installed", "--target", ".venv/none", "--report", "-")
WHEEL = ("--ignore-requires-python", "--only-binary", ":all:", "--python-version")


def entries(lock: str) -> list[Requirement]:
    """The pinned versions of a lock, with the markers that say where they are installed."""
    lines = (ROOT / lock).read_text(encoding="utf-8").splitlines()
    return [Requirement(line.rstrip(" \\")) for line in lines if line and not line.startswith((" ", "#"))]


def asked_for_by(pin: str) -> list[str]:
    """What a release asks for, by its wheel for a Python that has one, or else by its source."""
    for more in (*((*WHEEL, python) for python in PYTHONS), ("--no-build-isolation",)):
        done = subprocess.run(
            [sys.executable, "-m", "pip", "install", *REPORT, *more, pin], capture_output=True, text=True, check=False
        )
        if done.returncode == 0:
            return sorted(json.loads(done.stdout)["install"][0]["metadata"].get("requires_dist", []))
    raise SystemExit(f"{pin} could not be read:\n{done.stderr}")


def pins() -> set[str]:
    """What is pinned for some Pythons or systems only, and what lies in environments beside the tests' own."""
    within = entries("requirements-dev.lock")
    certain = {f"{entry.name}{entry.specifier}" for entry in within if entry.marker is None}
    everything = [*within, *(entry for lock in BESIDE for entry in entries(lock))]
    return {f"{entry.name}{entry.specifier}" for entry in everything} - certain


if __name__ == "__main__":
    sys.stdout.write(json.dumps({pin: asked_for_by(pin) for pin in sorted(pins())}, indent=1) + "\n")
