"""Percentile bootstrap intervals of whole analyses that are run again on resampled cases.

Source: Efron & Tibshirani 1993, An Introduction to the Bootstrap, chapter 13.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from warehouse.analysis.spline import FloatArray
from warehouse.results import Interval

#: Called with (resamples done, resamples wanted).
Progress: TypeAlias = Callable[[int, int], None]


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
