"""Tests of whether two groups share one rate: Fisher, Boschloo and Pearson.

A p value says how surprising the table would be if both groups had the same long-run share; it says nothing of
how large a difference is, and never stands without the difference and its interval.
"""

from dataclasses import dataclass
from math import comb
from typing import Final, Literal

import numpy as np

from warehouse.analysis.inputs import check_method
from warehouse.analysis.two_groups import TwoGroups, checked_groups, empty_group_reason
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

    Source: Fisher 1935; Boschloo 1970, Stat Neerl 24:1. Boschloo's is computed by SciPy.
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
    statistic, p_value = _computed(groups, method)
    return TwoGroupTest(p_value=p_value, statistic=statistic, method=_NAMES[method], n=n)


def not_tested(n: int, *, method: TestMethod) -> TwoGroupTest:
    """The same of ``n`` cases where nobody will see the p value: an exact one takes up to a second."""
    return TwoGroupTest(p_value=None, statistic=None, method=_NAMES[method], n=n)


def _computed(groups: TwoGroups, method: TestMethod) -> tuple[float | None, float]:
    x1, n1, x2, n2 = (int(n) for n in (groups.x1, groups.n1, groups.x2, groups.n2))
    if method == "fisher":
        return None, _fisher(x1, n1, x2, n2)
    rows = np.array([[x1, n1 - x1], [x2, n2 - x2]], dtype=np.int64)
    if method == "pearson":
        from scipy.special import chdtrc

        expected = np.outer(rows.sum(axis=1), rows.sum(axis=0)) / (n1 + n2)
        statistic = float(((rows - expected) ** 2 / expected).sum())
        return statistic, float(chdtrc(1.0, statistic))
    from scipy.stats import boschloo_exact

    boschloo = boschloo_exact(rows.T)  # SciPy takes the columns as the two groups: rows would fix the wrong margin
    return float(boschloo.statistic), min(1.0, float(boschloo.pvalue))


def _fisher(x1: int, n1: int, x2: int, n2: int) -> float:
    """The part of the tables of these margins that are no likelier, counted in whole numbers: a tie is a tie."""
    adverse, seen, no_likelier = x1 + x2, comb(n1, x1) * comb(n2, x2), 0
    least = max(0, adverse - n2)
    tables = comb(n1, least) * comb(n2, adverse - least)
    for k in range(least, min(adverse, n1) + 1):
        no_likelier += tables if tables <= seen else 0
        tables = tables * (n1 - k) * (adverse - k) // ((k + 1) * (n2 - adverse + k + 1))
    return no_likelier / comb(n1 + n2, adverse)


def _told(method: TestMethod, n: int, p_value: float | None, reason: Caution) -> TwoGroupTest:
    return TwoGroupTest(p_value=p_value, statistic=None, method=_NAMES[method], n=n, warnings=(reason,))
