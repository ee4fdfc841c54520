"""Chains of invented tables, attacked together (slow; fixed seeds)."""

from __future__ import annotations

from types import MappingProxyType

import numpy as np
import polars as pl
import pytest

from tests.warehouse.disclosure.attacker import attack, attack_guarded, table_of_rows
from warehouse.disclosure import Dimension, Policy, Release, Table, protect

pytestmark = pytest.mark.slow

AGES = ["8", "9", "10", "11", "12", "13"]
BANDS = [
    {"8-9": ("8", "9"), "10-11": ("10", "11"), "12-13": ("12", "13")},
    {"8-10": ("8", "9", "10"), "11-13": ("11", "12", "13")},
    {"under 12": ("8", "9", "10", "11"), "12": ("12",), "13": ("13",)},
]


def age(rng: np.random.Generator) -> Dimension:
    members = dict(BANDS[int(rng.integers(3))])
    if rng.random() < 0.8:
        members["all"] = tuple(AGES)
    return Dimension("age", MappingProxyType(members))


def plan(rng: np.random.Generator, frame: pl.DataFrame, *, first: bool) -> tuple[pl.DataFrame, list[Dimension], dict]:
    scope: dict[str, tuple[str, ...]] = {"loaded": ("2024",) if first else ("2024", "2025")}
    frame = frame.filter(pl.col("loaded").is_in(scope["loaded"]))
    dimensions = [age(rng)] if rng.random() < 0.7 else []
    if rng.random() < 0.6:
        dimensions.append(Dimension.of("sex", ["F", "M"]))
    elif rng.random() < 0.4:
        scope["sex"] = ("F",)
        frame = frame.filter(pl.col("sex") == "F")
    if rng.random() < 0.6:
        counts = {"adverse": ("adverse",), "cases": ("adverse", "not adverse")}
        dimensions.append(Dimension("outcome", MappingProxyType(counts)))
    return frame, dimensions, scope


@pytest.mark.parametrize("seed", range(40))
def test_four_tables_in_a_row_give_no_hidden_cell_away(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = int(rng.integers(30, 400))
    frame = pl.DataFrame(
        {
            "age": rng.choice(AGES, n),
            "sex": rng.choice(["F", "M"], n, p=[0.6, 0.4]),
            "loaded": rng.choice(["2024", "2025"], n, p=[0.95, 0.05]),
            "outcome": rng.choice(["adverse", "not adverse"], n, p=[0.2, 0.8]),
        }
    )
    policy = [Policy(), Policy(minimum=8, round_to=5), Policy(minimum=10)][seed % 3]
    releases: list[Release] = []
    truth: dict[str, Table] = {}
    for i in range(4):
        rows, dimensions, scope = plan(rng, frame, first=i < 2)
        table = table_of_rows(rows, name=f"t{i}", dimensions=dimensions, scope=scope)
        protected = protect(table, policy, earlier=releases)
        if not protected.refused:
            releases.append(protected.release)
            truth[table.name] = table
    assert releases
    for one in attack(releases):
        assert one.low < one.high
        assert one.low <= truth[one.table].cell(one.key) <= one.high
    assert all(one.low < one.high for one in attack_guarded(releases))
