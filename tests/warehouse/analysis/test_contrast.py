"""Edges of the contrast of two groups that the estimators hardly ever reach."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from warehouse.analysis.contrast import Influence, group_contrast
from warehouse.analysis.group_pair import GroupPair, pair_groups


def ten_and_ten() -> GroupPair:
    frame = pl.DataFrame({"g": ["a"] * 10 + ["b"] * 10, "y": [True, False] * 10})
    return pair_groups(frame, outcome="y", group="g", first="a", second="b")


def influence(values: tuple[float, float], first: float, second: float) -> Influence:
    signs = np.tile([1.0, -1.0], 10)
    return Influence(values=values, first=first * signs, second=second * signs, sizes=(10.0, 10.0), events=(5, 5))


def test_share_without_error_has_no_interval_and_neither_has_an_edge_difference_from_it() -> None:
    found = group_contrast(ten_and_ten(), influence((0.5, 0.0), 0.0, 0.0), population="all", method="m", level=0.95)
    assert found.first.interval is None
    assert found.second.interval is not None
    assert found.difference.value == 0.5
    assert found.difference.interval is None


def test_ratio_without_error_has_a_value_only() -> None:
    found = group_contrast(ten_and_ten(), influence((0.5, 0.25), 0.0, 0.0), population="all", method="m", level=0.95)
    assert found.ratio.value == 2.0
    assert found.ratio.interval is None
    assert found.ratio.p_value is None


@pytest.mark.parametrize("value", [1.0 - 1e-12, 1.0 + 1e-12, 1.0])
def test_rounding_error_at_one_is_the_edge(value: float) -> None:
    found = group_contrast(ten_and_ten(), influence((value, 0.5), 1e-9, 0.5), population="all", method="m", level=0.95)
    assert found.first.interval is not None
    # Wilson lower limit for 10 of 10: 10 / (10 + z^2)
    assert found.first.interval.low == pytest.approx(10.0 / (10.0 + 3.841458820694124))
    assert "square-and-add" in found.difference.method


def test_extreme_log_odds_do_not_overflow() -> None:
    found = group_contrast(ten_and_ten(), influence((1e-6, 0.5), 30.0, 0.5), population="all", method="m", level=0.95)
    assert found.first.interval is not None
    assert found.first.interval.low == pytest.approx(0.0)
    assert found.first.interval.high == pytest.approx(1.0)
    assert found.ratio.interval is not None
    assert found.ratio.interval.high == np.inf


def test_difference_of_shares_stays_within_one() -> None:
    swapped = influence((0.9, 0.1), 5.0, -5.0)
    wide = group_contrast(ten_and_ten(), swapped, population="all", method="m", level=0.95).difference.interval
    assert wide is not None
    assert (wide.low, wide.high) == (-1.0, 1.0)
