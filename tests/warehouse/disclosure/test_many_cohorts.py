"""Two hundred invented cohorts, each made anonymous and then judged apart from the search (slow; fixed seeds)."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from tests.warehouse.disclosure.ordered import ordered
from warehouse.disclosure.anonymise import anonymise
from warehouse.disclosure.assessment import assess
from warehouse.disclosure.hierarchy import Hierarchy

pytestmark = pytest.mark.slow

AGES = ["under 8", "8-9", "10-11", "12-13", "14-17", "18 and over"]
YEARS = [str(year) for year in range(2018, 2024)]
APPLIANCES = ["fixed_labial", "clear_aligner", "functional_removable", "headgear_cervical", "facemask"]
HIERARCHIES = [
    ordered("age", AGES, 2, 4),
    Hierarchy.of_categories("sex", ["female", "male"]),
    ordered("year", YEARS, 2, 4),
    Hierarchy.of_categories("appliance", APPLIANCES, {"other": APPLIANCES[2:]}),
]


@pytest.mark.parametrize("seed", range(200))
def test_every_contribution_meets_its_k_and_l(seed: int) -> None:
    rng = np.random.default_rng(seed)
    rows, k = int(rng.integers(20, 400)), int(rng.integers(2, 11))
    frame = pl.DataFrame(
        {
            "age": rng.choice(AGES, rows, p=rng.dirichlet(np.ones(6))),
            "sex": rng.choice(["female", "male"], rows),
            "year": rng.choice(YEARS, rows),
            "appliance": rng.choice(APPLIANCES, rows, p=rng.dirichlet(np.ones(5))),
            "outcome": rng.choice(["adverse", "not adverse", "not assessable"], rows, p=[0.2, 0.7, 0.1]),
        }
    )
    found = anonymise(frame, HIERARCHIES, k=k, l=2, sensitive=["outcome"])
    assert found.frame is not None
    judged = assess(found.frame, quasi=["age", "sex", "year", "appliance"], sensitive=["outcome"])
    assert judged.k >= k
    assert judged.distinct_l["outcome"] >= 2
    assert found.frame.height == rows
