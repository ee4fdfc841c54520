"""What is installed is pinned by hashes, without addresses; its licences are listed and let anyone use it."""

from __future__ import annotations

import re
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
LOCKS = ("requirements.lock", "requirements-dev.lock")
HASHES = r"(?:[^\n]*\\\n(?:\s+--hash=sha256:[0-9a-f]{64}(?: \\)?\n)+)"
ENTRY = re.compile(r"^([A-Za-z0-9._-]+)==([^\s;\\]+)" + HASHES, re.MULTILINE)
LISTED = re.compile(r"^\| ([^ ]+) \| ([^ ]+) \| ([^|]+) \|$", re.MULTILINE)


def pinned(lock: str) -> set[tuple[str, str]]:
    """Names and versions; a name may be pinned twice, for older and newer Pythons."""
    return set(ENTRY.findall((ROOT / lock).read_text(encoding="utf-8")))


@pytest.mark.parametrize("lock", LOCKS)
def test_every_line_of_a_lock_is_a_pinned_version_with_hashes_and_nothing_else(lock: str) -> None:
    text = (ROOT / lock).read_text(encoding="utf-8")
    assert len(pinned(lock)) > 50
    assert [
        line for line in ENTRY.sub("", text).splitlines() if line.strip() and not line.lstrip().startswith("#")
    ] == []
    for sign in (
        "http:",
        "https:",
        "--index",
        "--extra-index",
        "--find-links",
        "--trusted-host",
        "file:",
        "git+",
        " @ ",
    ):
        assert sign not in text


def test_the_locks_agree_with_each_other_and_name_what_the_project_asks_for() -> None:
    plain, with_tests = (pinned(lock) for lock in LOCKS)
    assert plain <= with_tests
    project = (ROOT / "pyproject.toml").read_text(encoding="utf-8").partition("[project.optional")[0]
    asked = set(re.findall(r'^    "([a-z0-9-]+)(?:==|>=)', project, re.MULTILINE))
    assert len(asked) > 20
    assert asked - {name for name, _ in plain} == set()


@pytest.mark.parametrize("lock", LOCKS)
def test_what_is_installed_is_what_the_lock_pins(lock: str) -> None:
    """Distributions for other systems are pinned too, but not installed here."""
    wanted = pinned(lock)
    found = set()
    for name in {name for name, _ in wanted}:
        try:
            found.add((name, version(name)))
        except PackageNotFoundError:
            continue
    assert len(found) > 50
    assert found - wanted == set()


def test_the_licence_list_is_that_of_the_lock() -> None:
    listed = LISTED.findall((ROOT / ".ci" / "licences.md").read_text(encoding="utf-8"))
    rows = {(name, number) for name, number, _ in listed if name != "distribution"}
    assert rows == pinned("requirements.lock"), "write it again: python .ci/licences.py > .ci/licences.md"


def test_every_licence_is_stated() -> None:
    text = (ROOT / ".ci" / "licences.md").read_text(encoding="utf-8")
    assert [name for name, _, licence in LISTED.findall(text) if licence.strip() == "not stated"] == []
    assert "://" not in text
