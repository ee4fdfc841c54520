"""Counts known within limits."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import minimize_scalar
from scipy.stats import binom

from warehouse.pooled.ranges import Range, exactly, filled, tightened, total


def test_known_counts_stay_as_they_are() -> None:
    found = filled([exactly(3), exactly(0)], [exactly(20), exactly(30)])
    assert found.adverse == (3.0, 0.0)
    assert found.share == pytest.approx(3 / 50, abs=1e-15)


def test_hidden_counts_are_filled_by_the_most_likely_common_share() -> None:
    """Checked against the likelihood of counts within limits, maximised by scipy."""
    adverse, counted = [exactly(12), Range(1, 4), Range(5, 40)], [exactly(90), exactly(60), exactly(40)]

    def depth(p: float) -> float:
        inside = [
            binom.cdf(a.high, n.low, p) - binom.cdf(a.low - 1, n.low, p) for a, n in zip(adverse, counted, strict=True)
        ]
        return -float(np.sum(np.log(inside)))

    best = minimize_scalar(depth, bounds=(0.01, 0.5), method="bounded", options={"xatol": 1e-12}).x
    found = filled(adverse, counted)
    assert found.share == pytest.approx(best, abs=1e-6)
    assert 1 < found.adverse[1] < 4


def test_nothing_counted_has_no_share() -> None:
    assert filled([exactly(0)], [exactly(0)]).share is None
    assert filled([], []).share is None


@given(st.lists(st.integers(0, 30), min_size=1, max_size=5), st.data())
def test_narrowing_never_loses_the_truth(counts: list[int], data: st.DataObject) -> None:
    parts = {
        str(i): Range(data.draw(st.integers(0, count)), count + data.draw(st.integers(0, 10)))
        for i, count in enumerate(counts)
    }
    found = tightened(parts, exactly(sum(counts)))
    for i, count in enumerate(counts):
        assert parts[str(i)].low <= found[str(i)].low <= count <= found[str(i)].high <= parts[str(i)].high


def test_ranges_add_up_and_are_worded() -> None:
    assert total([Range(1, 4), exactly(10)]) == Range(11, 14)
    assert Range(11, 14).words == "11 to 14"
    assert exactly(1200).words == "1,200"
