"""The table every benchmark adds to, printed at the end, and kept in the project where `make bench` asks for it."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest

from tests.benchmarks.table import KEEP, RESULTS, Table


@pytest.fixture(scope="session")
def table() -> Iterator[Table]:
    made = Table()
    yield made
    print("\n\n" + made.markdown())


@pytest.fixture(autouse=True)
def kept(table: Table) -> Iterator[None]:
    """Keep the table after every benchmark, so that a run that is broken off has not been for nothing."""
    yield
    if os.environ.get(KEEP):
        RESULTS.write_text(table.markdown(), encoding="utf-8")
