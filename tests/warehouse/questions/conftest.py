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
from warehouse.plans.looks import FILE


@pytest.fixture(scope="session")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a published warehouse; read only."""
    folder = tmp_path_factory.mktemp("comparison") / "warehouse"
    load_rows(folder, cohort_rows())
    return folder


@pytest.fixture(scope="session")
def reader(built: Path) -> Iterator[Reader]:
    """The warehouse open for reading; its record of looks fills up over the tests."""
    with Reader.open(built) as opened:
        yield opened


@pytest.fixture(scope="session")
def with_plan(built: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same warehouse with a plan on record; its record of looks fills up over the tests."""
    copy = tmp_path_factory.mktemp("planned") / "warehouse"
    shutil.copytree(built, copy)
    (copy / FILE).unlink(missing_ok=True)
    add_plan(copy)
    return copy


@pytest.fixture
def planned(with_plan: Path, tmp_path: Path) -> Path:
    """A copy of the warehouse with a plan on record and an empty record of looks."""
    copy = tmp_path / "planned"
    shutil.copytree(with_plan, copy)
    (copy / FILE).unlink(missing_ok=True)
    return copy


@pytest.fixture
def folder(built: Path, tmp_path: Path) -> Path:
    """A copy of the warehouse with an empty record of looks."""
    copy = tmp_path / "warehouse"
    shutil.copytree(built, copy)
    (copy / FILE).unlink(missing_ok=True)
    return copy
