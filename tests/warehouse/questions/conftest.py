"""One small warehouse for all the tests of comparisons; tests that write to the record of looks take a copy."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.hand_made import load_rows
from tests.warehouse.questions.cohort import cohort_rows
from tests.warehouse.questions.planning import add_plan
from warehouse.marts.reader import Reader


@pytest.fixture(scope="session")
def unread(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a published warehouse that no test opens, so that its record of looks stays empty; copied only.

    A store knows the lines its records had, so a record that was emptied afterwards would rightly be refused.
    """
    folder = tmp_path_factory.mktemp("unread") / "warehouse"
    load_rows(folder, cohort_rows())
    return folder


@pytest.fixture(scope="session")
def unread_with_plan(unread: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same with a plan on record; copied only."""
    copy = Path(shutil.copytree(unread, tmp_path_factory.mktemp("unread_planned") / "warehouse"))
    add_plan(copy)
    return copy


@pytest.fixture(scope="session")
def built(unread: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy for reading; its record of looks fills up over the tests."""
    return Path(shutil.copytree(unread, tmp_path_factory.mktemp("comparison") / "warehouse"))


@pytest.fixture(scope="session")
def reader(built: Path) -> Iterator[Reader]:
    """The warehouse open for reading."""
    with Reader.open(built) as opened:
        yield opened


@pytest.fixture(scope="session")
def with_plan(unread_with_plan: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy with a plan on record; its record of looks fills up over the tests."""
    return Path(shutil.copytree(unread_with_plan, tmp_path_factory.mktemp("planned") / "warehouse"))


@pytest.fixture
def planned(unread_with_plan: Path, tmp_path: Path) -> Path:
    """A copy of the warehouse with a plan on record and an empty record of looks."""
    return Path(shutil.copytree(unread_with_plan, tmp_path / "planned"))


@pytest.fixture
def folder(unread: Path, tmp_path: Path) -> Path:
    """A copy of the warehouse with an empty record of looks."""
    return Path(shutil.copytree(unread, tmp_path / "warehouse"))
