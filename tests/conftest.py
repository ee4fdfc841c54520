"""What several folders of tests share: an invented study group, loaded once a session through the common door."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pytest
from hypothesis import HealthCheck
from hypothesis import settings as hypothesis_settings

from pipelines.ingest import Outcome, Request, ingest
from synthetic_data.exports import Handover, write_demo
from synthetic_data.settings import Settings
from tests.faults.totals import pytest_terminal_summary  # noqa: F401 - prints the totals of the fault suites

# A busy machine must not fail a property: examples have no deadline, and the same ones are tried every time.
hypothesis_settings.register_profile(
    "menton", deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow]
)
hypothesis_settings.load_profile("menton")


@dataclass(frozen=True, slots=True)
class Study:
    """The invented study group: its exports, the key, and the warehouse they were loaded into."""

    exports: Path
    warehouse: Path
    handovers: tuple[Handover, ...]
    outcomes: tuple[Outcome, ...]


def take_in(handover: Handover, warehouse: Path, *, publish_after: bool = True) -> Outcome:
    """Load what one practice handed over."""
    return ingest(
        Request(
            paths=handover.files,
            warehouse=warehouse,
            mapping=handover.mapping,
            practice=handover.practice,
            publish_after=publish_after,
        )
    )


@pytest.fixture(scope="session")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    """About 400 invented cases of seven practices in one warehouse. Tests only read it."""
    folder = tmp_path_factory.mktemp("study")
    handovers = tuple(write_demo(folder / "exports", settings=Settings().with_about(400)))
    last = handovers[-1]
    outcomes = tuple(take_in(one, folder / "warehouse", publish_after=one is last) for one in handovers)
    return Study(folder / "exports", folder / "warehouse", handovers, outcomes)
