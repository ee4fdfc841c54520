"""Tests over strata: is there any association (Cochran-Mantel-Haenszel), and do the strata agree?

A non-significant test of agreement is weak evidence of agreement: with few cases such tests miss large
disagreements, so the strata are always shown side by side as well.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from warehouse.analysis.stratified import cells_of, left_out_of, mantel_haenszel
from warehouse.results import Caution

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from warehouse.analysis.stratified import Cells, Stratum


@dataclass(frozen=True, slots=True, kw_only=True)
class ChiSquaredTest:
    """A chi-squared test: ``statistic`` on ``df`` degrees of freedom, both None with a warning if impossible."""

    method: str
    statistic: float | None
    df: int
    p_value: float | None
    n: int
    left_out: Mapping[str, int]
    warnings: tuple[Caution, ...] = ()


def chi_squared_p(statistic: float, df: int) -> float:
    """The upper tail of the chi-squared distribution, accurate far out; 1.0 when ``df`` is 0."""
    from scipy.special import chdtrc

    return float(chdtrc(df, statistic)) if df > 0 else 1.0


def _result(
    strata: Sequence[Stratum], method: str, statistic: float | None, df: int, reason: str = ""
) -> ChiSquaredTest:
    return ChiSquaredTest(
        method=method,
        statistic=statistic,
        df=df,
        p_value=None if statistic is None else chi_squared_p(statistic, df),
        n=sum(s.n for s in strata if s.informative),
        left_out=left_out_of(strata),
        warnings=(Caution("no_data", reason),) if statistic is None else (),
    )


def cmh_test(strata: Sequence[Stratum]) -> ChiSquaredTest:
    """The Cochran-Mantel-Haenszel test, without continuity correction, of no association in any stratum (1 df).

    Strata with one group, or where all cases ended alike, add nothing.

    Source: Mantel & Haenszel 1959, JNCI 22:719.
    """
    method = "Cochran-Mantel-Haenszel test"
    cells = cells_of(strata)
    big = cells.n > 1.0
    a, n1, n2, n = cells.a[big], cells.n1[big], cells.n2[big], cells.n[big]
    events = (cells.a + cells.c)[big]
    variance = float((n1 * n2 * events * (n - events) / (n * n * (n - 1.0))).sum())
    if variance <= 0.0:
        reason = "No stratum holds both groups and both outcomes, so no association can be tested."
        return _result(strata, method, None, 1, reason)
    distance = abs(float((a - n1 * events / n).sum()))
    return _result(strata, method, distance**2 / variance, 1)


def _expected_first(cells: Cells, ratio: float) -> NDArray[np.float64]:
    """Adverse cases expected in group one of each stratum under a common odds ratio, margins kept."""
    events = cells.a + cells.c
    if abs(ratio - 1.0) < 1e-9:
        return np.asarray(cells.n1 * events / cells.n)
    qa = ratio - 1.0
    qb = -(ratio * (cells.n1 + events) + cells.n2 - events)
    qc = ratio * cells.n1 * events
    root = np.sqrt(np.maximum(0.0, qb * qb - 4.0 * qa * qc))
    return np.asarray(2.0 * qc / (root - qb))  # the root within the margins, in its stable form


def breslow_day_test(strata: Sequence[Stratum]) -> ChiSquaredTest:
    """Do the strata share one odds ratio? Breslow-Day with Tarone's correction.

    Strata where all cases ended alike say nothing about an odds ratio and are not counted in the df (k - 1).
    Source: Breslow & Day 1980, IARC 32, p. 142; Tarone 1985, Biometrika 72:91.
    """
    method = "Breslow-Day test with Tarone's correction"
    kept = [s for s in strata if s.informative and 0 < s.x1 + s.x2 < s.n]
    ratio = mantel_haenszel(kept).value
    if ratio is None or len(kept) < 2:
        reason = "Fewer than two strata hold both groups and both outcomes, so agreement cannot be tested."
        if ratio is None and len(kept) > 1:
            reason = "There is no finite common odds ratio to compare the strata with."
        return _result(strata, method, None, max(0, len(kept) - 1), reason)
    cells = cells_of(kept)
    expected = _expected_first(cells, ratio)
    events = cells.a + cells.c
    parts = np.stack([expected, events - expected, cells.n1 - expected, cells.n2 - events + expected])
    variance = 1.0 / (1.0 / parts).sum(axis=0)
    gap = cells.a - expected
    statistic = float((gap**2 / variance).sum()) - float(gap.sum()) ** 2 / float(variance.sum())
    return _result(strata, method, max(0.0, statistic), len(kept) - 1)
