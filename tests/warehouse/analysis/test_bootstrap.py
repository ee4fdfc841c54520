"""Percentile intervals of analyses run again on resampled cases."""

from __future__ import annotations

import numpy as np
import pytest

from warehouse.analysis.bootstrap import Replicates, replicate


def test_replicates_draw_as_many_cases_as_there_are() -> None:
    seen: list[float] = []

    def analysis(drawn: np.ndarray) -> tuple[float] | None:
        seen.append(drawn.sum())
        return None if drawn[0] == 0 else (float(drawn[0]),)

    done: list[int] = []
    found = replicate(analysis, 10, rng=np.random.default_rng(1), n_resamples=200, progress=lambda k, _: done.append(k))
    assert set(seen) == {10.0}
    assert done == list(range(1, 201))
    assert found.values.shape == (200 - found.failed, 1)
    # a case is left out of a resample with chance (1 - 1/10)^10 = 0.349
    assert found.failed / 200 == pytest.approx(0.349, abs=0.1)


def test_percentiles_by_hand_and_where_there_are_none() -> None:
    values = np.column_stack([np.arange(101.0), np.full(101, 7.0)])
    replicates = Replicates(values, 0)
    interval = replicates.interval(0, 0.90)
    assert interval is not None
    assert (interval.low, interval.high) == pytest.approx((5.0, 95.0))
    assert replicates.interval(1, 0.90) is None
    assert Replicates(np.empty((0, 0)), 5).interval(0, 0.90) is None
