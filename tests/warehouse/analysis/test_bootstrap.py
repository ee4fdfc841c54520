"""Bootstrap intervals: the law-school data, and samples too small to have one."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from warehouse.analysis.bootstrap import Replicates, bca, replicate
from warehouse.words.sentences import caution_text

LAW_SCHOOL = "law school correlation"


def correlation(x: np.ndarray, y: np.ndarray, axis: int = -1) -> np.ndarray:
    x = x - x.mean(axis=axis, keepdims=True)
    y = y - y.mean(axis=axis, keepdims=True)
    return (x * y).sum(axis=axis) / np.sqrt((x * x).sum(axis=axis) * (y * y).sum(axis=axis))


@pytest.mark.parametrize(
    ("level", "low", "high"), [(0.90, (0.42, 0.44), (0.92, 0.93)), (0.95, (0.315, 0.345), (0.940, 0.944))]
)
def test_law_school_correlation(
    level: float,
    low: tuple[float, float],
    high: tuple[float, float],
    reference_case: Callable[[int, str], dict[str, Any]],
    as_printed: Callable[[Any], Any],
) -> None:
    # Efron & Tibshirani 1993, chapter 14 (from memory): r .776, 90 % BCa (.43, .92). Bounds of the case file, whose
    # two million resamples give (.4290, .9268) and (.3323, .9417)
    case = reference_case(17, LAW_SCHOOL)
    sample = (np.array(case["data"]["LSAT"], dtype=float), np.array(case["data"]["GPA"]))
    found = bca(
        sample,
        correlation,
        rng=np.random.default_rng(2),
        estimand="correlation",
        unit="none",
        n_resamples=40_000,
        level=level,
    )
    assert found.value == pytest.approx(case["computed"]["r"], rel=1e-10)
    assert found.value == as_printed(case["expected"]["r"])
    assert found.interval is not None
    assert low[0] <= found.interval.low <= low[1]
    assert high[0] <= found.interval.high <= high[1]
    assert found.method == "BCa bootstrap, 40,000 resamples"
    assert found.n == 15


def test_same_state_of_the_generator_same_interval() -> None:
    values = np.random.default_rng(1).normal(size=30)
    one, two = (
        bca((values,), np.mean, rng=np.random.default_rng(5), estimand="mean", unit="mm", n_resamples=999)
        for _ in range(2)
    )
    assert one == two


def test_no_case_one_case_and_no_spread() -> None:
    rng = np.random.default_rng(0)
    nothing = bca((np.empty(0),), np.mean, rng=rng, estimand="mean", unit="mm")
    assert nothing.value is None
    assert caution_text(nothing.warnings[0]) == "There is no case."
    one = bca((np.array([3.0]),), np.mean, rng=rng, estimand="mean", unit="mm")
    assert (one.value, one.interval) == (3.0, None)
    assert caution_text(one.warnings[0]) == "One case has no spread."
    flat = bca((np.full(8, 2.0),), np.median, rng=rng, estimand="median", unit="mm", n_resamples=99)
    assert (flat.value, flat.interval) == (2.0, None)
    assert "same in every resample" in caution_text(flat.warnings[0])


def test_many_cases_get_percentiles_and_the_method_says_so() -> None:
    values = np.random.default_rng(3).normal(10.0, 2.0, 6_000)
    found = bca((values,), np.mean, rng=np.random.default_rng(4), estimand="mean", unit="mm", n_resamples=400)
    assert found.method == "percentile bootstrap, 400 resamples"
    assert found.interval is not None
    half = 1.96 * 2.0 / np.sqrt(6_000)
    assert found.interval.high - found.interval.low == pytest.approx(2.0 * half, rel=0.15)


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
