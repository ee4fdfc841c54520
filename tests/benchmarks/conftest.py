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
    text = made.markdown()
    print("\n\n" + text)
    if os.environ.get(KEEP):
        RESULTS.write_text(text, encoding="utf-8")
