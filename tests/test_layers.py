"""Imports go one way: dashboard -> warehouse, pipelines -> warehouse, synthetic_data -> warehouse and the contract."""

from __future__ import annotations

import ast
import re
import tomllib
from functools import cache
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


@cache
def imported(path: Path) -> frozenset[str]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    found: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
            found |= {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)}
    return frozenset(found)


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


def parsed(package: str) -> list[tuple[str, ast.Module]]:
    files = sources(package)
    return [(path.relative_to(ROOT).as_posix(), ast.parse(path.read_text(encoding="utf-8"))) for path in files]


def test_words_are_for_those_who_show_them() -> None:
    users = {
        path.relative_to(ROOT).as_posix()
        for package in PACKAGES
        for path in sources(package)
        if any(name == "warehouse.words" or name.startswith("warehouse.words.") for name in imported(path))
    }
    assert users, "a moved folder would make this test pass on nothing"
    shown_by = ("warehouse/words/", "dashboard/", "pipelines/commands/")
    assert sorted(user for user in users if not user.startswith(shown_by)) == []


def test_sentences_are_made_in_words_alone() -> None:
    named = [
        f"{path}: {node.name}"
        for package in PACKAGES
        for path, tree in parsed(package)
        if not path.startswith("warehouse/words/")
        for node in ast.walk(tree)
        if isinstance(node, ast.FunctionDef) and re.search(r"_(sentences?|words)$", node.name)
    ]
    assert named == []


@pytest.mark.parametrize("folder", ["analysis", "questions", "disclosure"])
def test_what_is_worked_out_is_not_set_as_text(folder: str) -> None:
    found = [
        f"{path}:{node.lineno}"
        for path, tree in parsed(f"warehouse/{folder}")
        for node in ast.walk(tree)
        if isinstance(node, ast.FormattedValue) and node.format_spec is not None
        if re.search(r"%$|^[+,]?\.\d+f$", "".join(ast.unparse(node.format_spec)[2:-1]))
    ]
    assert found == []


def keys_of_sentences() -> set[str]:
    tables = tomllib.loads((ROOT / "warehouse/words/sentences.toml").read_text(encoding="utf-8"))
    return {f"{name}.{key}" for name, table in tables.items() for key in table}


def choices(node: ast.expr) -> list[object]:
    """The texts that an expression can be, where they stand in it."""
    if isinstance(node, ast.IfExp):
        return [*choices(node.body), *choices(node.orelse)]
    return [node.value] if isinstance(node, ast.Constant) else []


def keys_used() -> tuple[set[str], set[str]]:
    """Keys given to ``say`` and codes given to ``Caution`` as they stand; and every text of the sources."""
    asked, texts = set(), set()
    for package in ("warehouse", "dashboard", "pipelines"):
        for _, tree in parsed(package):
            for node in ast.walk(tree):
                if isinstance(node, ast.Constant) and isinstance(node.value, str):
                    texts.add(node.value)
                if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Name):
                    continue
                place, before = {"say": (0, ""), "say_text": (0, ""), "Caution": (1, "caution.")}.get(
                    node.func.id, (None, "")
                )
                if place is None or len(node.args) <= place:
                    continue
                told = choices(node.args[place])
                pattern = r"[a-z_0-9]+" if before else r"[a-z]+\.[a-z_0-9]+"
                asked |= {f"{before}{one}" for one in told if isinstance(one, str) and re.fullmatch(pattern, one)}
    return asked, texts


def test_every_sentence_has_a_use_and_every_use_a_sentence() -> None:
    keys, (asked, texts) = keys_of_sentences(), keys_used()
    noted = tomllib.loads((ROOT / "warehouse/variables.toml").read_text(encoding="utf-8"))
    texts |= set(re.findall(r"'note': '([a-z_]+)'", repr(noted)))
    assert sorted(key for key in keys if key not in texts and key.removeprefix("caution.") not in texts) == []
    assert sorted(asked - keys) == []
