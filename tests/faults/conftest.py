"""What the fault suites share."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.faults.stepper import Stepper


@pytest.fixture(scope="module")
def stepper(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stepper]:
    """Carries out commands in children of a process that has imported everything."""
    made = Stepper(tmp_path_factory.mktemp("said") / "log")
    yield made
    made.close()
