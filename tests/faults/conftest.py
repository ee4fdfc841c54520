"""What the fault suites share."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest

from tests.faults.stepper import Stepper
from tests.faults.totals import PROPERTY


@pytest.fixture
def count(record_property: Callable[[str, Any], None]) -> Callable[[str, str, int], None]:
    """Add to the totals printed at the end: a kind (kills, faults, inputs, leaks), what of it, and how many."""

    def add(kind: str, what: str, n: int) -> None:
        record_property(PROPERTY, [kind, what, n])

    return add


@pytest.fixture(scope="module")
def stepper(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stepper]:
    """Carries out commands in children of a process that has imported everything."""
    made = Stepper(tmp_path_factory.mktemp("said") / "log")
    yield made
    made.close()
