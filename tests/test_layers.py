"""Imports go one way: dashboard -> warehouse, pipelines -> warehouse, synthetic_data -> warehouse and the contract."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGES = ("warehouse", "pipelines", "dashboard", "synthetic_data")
ALLOWED = {
    "warehouse": {"warehouse"},
    "pipelines": {"pipelines", "warehouse"},
    "dashboard": {"dashboard", "warehouse"},
    "synthetic_data": {"synthetic_data", "warehouse", "pipelines.contract"},
}
COMPOSITION_ROOTS = {"pipelines/cli.py", "pipelines/commands/demo.py"}
"""The only files that know every package: the table of commands, and the demo that makes, loads and reports."""


def imported(path: Path) -> set[str]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    found: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
            found |= {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)}
    return found


def sources(package: str) -> list[Path]:
    return sorted((ROOT / package).rglob("*.py"))


@pytest.mark.parametrize("package", PACKAGES)
def test_imports_go_one_way(package: str) -> None:
    wrong = []
    for path in sources(package):
        relative = path.relative_to(ROOT).as_posix()
        if relative in COMPOSITION_ROOTS:
            continue
        for name in imported(path):
            ours = name.split(".")[0] in PACKAGES
            if ours and not any(name == ok or name.startswith(f"{ok}.") for ok in ALLOWED[package]):
                wrong.append(f"{relative} imports {name}")
    assert wrong == []


@pytest.mark.parametrize("package", PACKAGES)
def test_every_package_has_sources(package: str) -> None:
    assert sources(package), "a moved package would make the layer test pass on nothing"


def test_the_dashboard_never_imports_the_checks() -> None:
    for path in sources("dashboard"):
        names = imported(path)
        assert not any(name.startswith(("great_expectations", "pipelines")) for name in names), path


def test_storage_is_the_only_door_to_duckdb() -> None:
    users = {
        path.relative_to(ROOT).as_posix()
        for package in ("pipelines", "dashboard", "synthetic_data", "warehouse")
        for path in sources(package)
        if "duckdb" in imported(path)
    }
    assert users == {"warehouse/store/storage.py"}


def test_sources_never_read_outside_the_project() -> None:
    for package in PACKAGES:
        for path in (ROOT / package).rglob("*"):
            if path.suffix in {".py", ".sql", ".toml", ".md"}:
                assert "../shared" not in path.read_text(encoding="utf-8"), path
