"""Tests of whether two groups share one rate: Fisher, Boschloo and Pearson.

A p value says how surprising the table would be if both groups had the same long-run share; it says nothing of
how large a difference is, and never stands without the difference and its interval.
"""

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from warehouse.analysis.inputs import check_method
from warehouse.analysis.two_groups import checked_groups, empty_group_reason
from warehouse.results import Caution

TestMethod = Literal["fisher", "boschloo", "pearson"]

#: Above this many cases the unconditional exact tests take seconds to minutes, and Pearson's test agrees.
MOST_CASES_UNCONDITIONAL: Final = 600

_NAMES: Final = {
    "fisher": "Fisher's exact test",
    "boschloo": "Boschloo's unconditional exact test (two-sided: twice the smaller one-sided p)",
    "pearson": "Pearson's chi-squared test, no continuity correction",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class TwoGroupTest:
    """The outcome of one test."""

    p_value: float | None  # None when the data cannot give one (`warnings` says why), or none was wanted
    statistic: float | None  # Chi-squared, score or probability by `method`; None where it means nothing
    method: str  # The test by its textbook name
    alternative: str = "two-sided"
    n: int  # Cases used
    warnings: tuple[Caution, ...] = ()  # Cautions to show with the number


def two_group_test(x1: int, n1: int, x2: int, n2: int, *, method: TestMethod = "boschloo") -> TwoGroupTest:
    """Test, two-sided, whether ``x1`` of ``n1`` and ``x2`` of ``n2`` come from one long-run share.

    With an empty group, or more cases than Boschloo's test can take, the p value is None and a warning says why; with
    all cases alike it is 1 and a warning says so. Raises RequestError where a pair of counts or the method is
    impossible.

    Source: Fisher 1935; Boschloo 1970, Stat Neerl 24:1. Computed by SciPy.
    """
    check_method(method, _NAMES)
    groups, n = checked_groups(x1, n1, x2, n2), n1 + n2
    if groups is None:
        return _told(method, n, None, empty_group_reason(n1, n2))
    if method == "boschloo" and n > MOST_CASES_UNCONDITIONAL:
        reason = Caution("no_data", "too_many_for_unconditional", {"n": n})
        return _told(method, n, None, reason)
    if x1 + x2 in {0, n}:
        return _told(method, n, 1.0, Caution("no_data", "all_alike"))
    statistic, p_value = _computed(np.array([[x1, n1 - x1], [x2, n2 - x2]], dtype=np.int64), method)
    return TwoGroupTest(p_value=p_value, statistic=statistic, method=_NAMES[method], n=n)


def not_tested(n: int, *, method: TestMethod) -> TwoGroupTest:
    """The same of ``n`` cases where nobody will see the p value: an exact one takes up to a second."""
    return TwoGroupTest(p_value=None, statistic=None, method=_NAMES[method], n=n)


def _computed(rows: NDArray[np.int64], method: TestMethod) -> tuple[float | None, float]:
    from scipy.stats import boschloo_exact, chi2_contingency, fisher_exact

    if method == "fisher":
        return None, float(fisher_exact(rows).pvalue)
    if method == "pearson":
        pearson = chi2_contingency(rows, correction=False)
        return float(pearson.statistic), float(pearson.pvalue)
    boschloo = boschloo_exact(rows.T)  # SciPy takes the columns as the two groups: rows would fix the wrong margin
    return float(boschloo.statistic), min(1.0, float(boschloo.pvalue))


def _told(method: TestMethod, n: int, p_value: float | None, reason: Caution) -> TwoGroupTest:
    return TwoGroupTest(p_value=p_value, statistic=None, method=_NAMES[method], n=n, warnings=(reason,))
