"""Bootstrap intervals: BCa for one statistic, percentiles for whole analyses that are run again on resampled cases.

BCa is SciPy's; what is added here is words for the data it cannot handle and a limit on its n-squared jackknife.
Source: Efron 1987, J Am Stat Assoc 82:171; Efron & Tibshirani 1993, An Introduction to the Bootstrap, chapter 14.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import isfinite
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np

from warehouse.analysis.inputs import check_level
from warehouse.results import Caution, Estimate, Interval, no_estimate

if TYPE_CHECKING:
    from warehouse.analysis.spline import FloatArray

#: Called with (resamples done, resamples wanted).
Progress: TypeAlias = Callable[[int, int], None]

_JACKKNIFE_LIMIT = 5_000  # cases; beyond it leaving each out in turn costs too much, and percentiles serve
_BATCH = 2_000_000  # numbers held at once


def bca(
    sample: Sequence[FloatArray],
    statistic: Callable[..., Any],
    *,
    rng: np.random.Generator,
    estimand: str,
    unit: str,
    n_resamples: int = 9_999,
    level: float = 0.95,
) -> Estimate:
    """A statistic with its bias-corrected and accelerated bootstrap interval.

    ``sample``: one or more arrays of shape ``(n,)``; several are paired by position, one entry a case. ``statistic``:
    takes the arrays and ``axis``, gives the statistic along it. ``rng``: the source of randomness; the same state gives
    the same interval. Gives the estimate. With no case its value is None; with one case, or a statistic that does not
    vary, it has no interval; above 5,000 cases the interval is of percentiles, which the method says.
    """
    check_level(level)
    n = sample[0].shape[0]
    quick = n > _JACKKNIFE_LIMIT
    method = f"{'percentile' if quick else 'BCa'} bootstrap, {n_resamples:,} resamples"
    if n == 0:
        return no_estimate(estimand=estimand, method=method, n=0, reason="There is no case.", unit=unit)
    value = float(np.asarray(statistic(*sample, axis=-1)))
    interval = _bca_interval(sample, statistic, rng, n_resamples, level, quick) if n > 1 else None
    text = "One case has no spread." if n == 1 else "The statistic is the same in every resample: it has no interval."
    return Estimate(
        estimand=estimand,
        value=value,
        interval=interval,
        method=method,
        n=n,
        unit=unit,
        warnings=() if interval else (Caution("small_sample", text),),
    )


def _bca_interval(
    sample: Sequence[FloatArray],
    statistic: Callable[..., Any],
    rng: np.random.Generator,
    n_resamples: int,
    level: float,
    quick: bool,
) -> Interval | None:
    from scipy.stats import bootstrap

    with warnings.catch_warnings():  # a statistic that does not vary is told in words instead
        warnings.simplefilter("ignore")
        result = bootstrap(
            tuple(sample),
            statistic,
            paired=len(sample) > 1,
            n_resamples=n_resamples,
            batch=max(1, _BATCH // sample[0].shape[0]),
            confidence_level=level,
            method="percentile" if quick else "BCa",
            rng=rng,
        )
    low, high = float(result.confidence_interval.low), float(result.confidence_interval.high)
    if not (isfinite(low) and isfinite(high)) or float(result.standard_error) == 0.0:
        return None
    return Interval(low, high, level)


@dataclass(frozen=True, slots=True, eq=False)
class Replicates:
    """Values of an analysis on resampled cases."""

    values: FloatArray  # Shape `(resamples that worked, quantities)`
    failed: int  # Resamples on which the analysis had no answer (an empty group, separation)

    def interval(self, column: int, level: float) -> Interval | None:
        """Percentile interval of one quantity; None if it never varied or hardly any resample worked."""
        column_values = self.values[:, column] if self.values.size else np.empty(0)
        finite = column_values[np.isfinite(column_values)]
        if finite.size < 2 or finite.min() == finite.max():
            return None
        low, high = np.quantile(finite, [(1.0 - level) / 2.0, (1.0 + level) / 2.0])
        return Interval(float(low), float(high), level)


def replicate(
    analysis: Callable[[FloatArray], Sequence[float] | None],
    n: int,
    *,
    rng: np.random.Generator,
    n_resamples: int,
    progress: Progress | None = None,
) -> Replicates:
    """Run an analysis on cases drawn with replacement.

    ``analysis``: takes how often each case was drawn, shape ``(n,)``; gives the quantities, or None if it cannot.
    """
    rows: list[Sequence[float]] = []
    for done in range(n_resamples):
        drawn = np.bincount(rng.integers(0, n, size=n), minlength=n).astype(np.float64)
        row = analysis(drawn)
        if row is not None:
            rows.append(row)
        if progress is not None:
            progress(done + 1, n_resamples)
    return Replicates(np.asarray(rows, dtype=np.float64), n_resamples - len(rows))
