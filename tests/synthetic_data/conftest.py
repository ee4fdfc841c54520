from __future__ import annotations

import numpy as np
import pytest

from synthetic_data.exports import DEMO_SEED, Cohort, make_cohort
from synthetic_data.settings import Settings
from tests.cohort_settings import with_about


@pytest.fixture(scope="session")
def demo() -> Cohort:
    """The cohort of the demonstration."""
    return make_cohort(Settings(), np.random.default_rng(DEMO_SEED))


@pytest.fixture(scope="session")
def large() -> Cohort:
    """About 30,000 cases: enough for shares and slopes."""
    return make_cohort(with_about(Settings(), 30_000), np.random.default_rng(1))
