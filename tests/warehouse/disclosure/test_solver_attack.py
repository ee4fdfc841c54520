"""No hidden count of any table can be worked out: by the solver, and by counting out every possible table."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.warehouse.disclosure.attacker import attack, table_of_shares
from warehouse.disclosure import Dimension, Layout, Policy, ProtectedTable, Table, protect

POLICIES = [Policy(), Policy(minimum=8, round_to=5), Policy(minimum=3), Policy(minimum=10), Policy(round_to=5)]
COUNTS = st.one_of(st.integers(0, 6), st.integers(0, 40))


@st.composite
def tables(draw: st.DrawFn) -> Table:
    sizes = draw(st.lists(st.integers(1, 4), min_size=1, max_size=2))
    dimensions = [
        Dimension.of(f"d{i}", [f"{i}.{j}" for j in range(size)], total=draw(st.sampled_from(["all", None])))
        for i, size in enumerate(sizes)
    ]
    keys = list(Layout(tuple(dimensions)).base_keys())
    if draw(st.booleans()):
        rows = {}
        for key in keys:
            adverse, other = draw(COUNTS), draw(COUNTS)
            rows[key] = (adverse, adverse + other)
        return table_of_shares(name="t", dimensions=dimensions, rows=rows)
    return Table("t", Layout(tuple(dimensions)), {key: draw(COUNTS) for key in keys})


@given(tables(), st.sampled_from(POLICIES))
@settings(max_examples=40, deadline=None)
def test_no_hidden_cell_is_recovered_and_the_truth_stays_possible(table: Table, policy: Policy) -> None:
    protected = protect(table, policy)
    assert not protected.refused
    for one in attack([protected.release]):
        assert one.low < one.high
        assert one.low <= table.cell(one.key) <= one.high
    for key, cell in protected.cells.items():
        count = table.cell(key)
        assert cell.state == "shown" or count > 0
        assert cell.value is None or (not policy.is_small(count) and cell.value == policy.shown_value(count))


@given(st.lists(st.integers(0, 9), min_size=2, max_size=4))
@settings(max_examples=40, deadline=None)
def test_the_solver_finds_the_ranges_that_counting_finds(counts: list[int]) -> None:
    """Every table with cells up to 40 is written down and kept if it would have been published just so."""
    dimension = Dimension.of("site", [str(i) for i in range(len(counts))])
    table = Table("t", Layout((dimension,)), {(str(i),): count for i, count in enumerate(counts)})
    protected = protect(table)
    possible = _every_possible(protected, len(counts))
    for one in attack([protected.release]):
        values = possible.sum(axis=1) if one.key == ("all",) else possible[:, int(one.key[0])]
        assert values.min() == one.low
        assert values.max() == min(one.high, values.max())
        assert np.unique(values).size >= 2


def _every_possible(protected: ProtectedTable, size: int) -> np.ndarray:
    release = protected.release
    ranges = []
    for i in range(size):
        low, high = release.bounds((str(i),))
        ranges.append(range(int(low), int(min(high, 20)) + 1))
    every = np.array(list(product(*ranges)))
    low, high = release.bounds(("all",))
    sums = every.sum(axis=1)
    return every[(sums >= low) & (sums <= high)]


@pytest.mark.parametrize("seed", range(4))
def test_tables_of_dashboard_size(seed: int) -> None:
    """8 x 6 with margins and about a third of the cells small."""
    rng = np.random.default_rng(seed)
    dimensions = (Dimension.of("row", [f"r{i}" for i in range(8)]), Dimension.of("column", list("uvwxyz")))
    drawn = rng.poisson(rng.gamma(1.2, 9, size=48))
    layout = Layout(dimensions)
    table = Table("t", layout, dict(zip(layout.base_keys(), drawn.tolist(), strict=True)))
    protected = protect(table)
    states = [cell.state for cell in protected.cells.values()]
    assert states.count("withheld") <= states.count("small")
    for one in attack([protected.release]):
        assert one.low < one.high
        if one.label == "fewer than 5":
            assert (one.low, one.high) == (1, 4)


@pytest.mark.parametrize("seed", [1, 5, 10])
def test_three_crossed_variables(seed: int) -> None:
    """With three variables the corners need no longer be whole numbers, and the solver has to branch (seeds 5, 10)."""
    rng = np.random.default_rng(seed)
    layout = Layout(tuple(Dimension.of(name, ["1", "2", "3"]) for name in "abc"))
    drawn = rng.poisson(rng.gamma(0.8, 10, size=27))
    table = Table("t", layout, dict(zip(layout.base_keys(), drawn.tolist(), strict=True)))
    protected = protect(table)
    assert not protected.refused
    assert all(one.low < one.high for one in attack([protected.release]))


def test_the_same_table_is_protected_the_same_way_every_time() -> None:
    layout = Layout((Dimension.of("site", list("abcdef")),))
    table = Table("t", layout, dict(zip(layout.base_keys(), [3, 7, 7, 7, 20, 0], strict=True)))
    first = protect(table)
    assert all(protect(table).cells == first.cells for _ in range(3))
