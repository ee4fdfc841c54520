"""Tests of whether two groups share one rate: Fisher, Barnard, Boschloo, Pearson and the likelihood ratio.

A p value says how surprising the table would be if both groups had the same long-run share; it says nothing of
how large a difference is, and never stands without the difference and its interval.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from warehouse.analysis.inputs import check_method
from warehouse.analysis.two_groups import checked_groups, empty_group_reason
from warehouse.results import Caution

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from warehouse.analysis.two_groups import TwoGroups

TestMethod = Literal["fisher", "barnard", "boschloo", "pearson", "likelihood_ratio"]
Alternative = Literal["two-sided", "greater", "less"]

#: Above this many cases the unconditional exact tests take seconds to minutes, and Pearson's test agrees.
MOST_CASES_UNCONDITIONAL: Final = 600

_NAMES: Final = {
    "fisher": "Fisher's exact test",
    "barnard": "Barnard's unconditional exact test (pooled score statistic)",
    "boschloo": "Boschloo's unconditional exact test (two-sided: twice the smaller one-sided p)",
    "pearson": "Pearson's chi-squared test, no continuity correction",
    "likelihood_ratio": "likelihood-ratio (G) test",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class TwoGroupTest:
    """The outcome of one test."""

    p_value: float | None  # None when the data cannot give one (`warnings` says why)
    statistic: float | None  # Chi-squared, score or probability by `method`; None where it means nothing
    method: str  # The test by its textbook name
    alternative: Alternative  # `two-sided`, `greater` (first share larger) or `less`
    n: int  # Cases used
    warnings: tuple[Caution, ...] = ()  # Cautions to show with the number


def _rows(groups: TwoGroups) -> NDArray[np.int64]:
    return np.array([[groups.x1, groups.n1 - groups.x1], [groups.x2, groups.n2 - groups.x2]], dtype=np.int64)


def _fisher(groups: TwoGroups, alternative: Alternative) -> tuple[float | None, float]:
    from scipy.stats import fisher_exact

    return None, float(fisher_exact(_rows(groups), alternative=alternative).pvalue)


def _unconditional(groups: TwoGroups, method: str, alternative: Alternative) -> tuple[float, float]:
    """Barnard or Boschloo. SciPy takes the *columns* as the two groups: rows would fix the wrong margin."""
    from scipy.stats import barnard_exact, boschloo_exact

    columns = _rows(groups).T
    if method == "barnard":
        barnard = barnard_exact(columns, alternative=alternative)
        return float(barnard.statistic), min(1.0, float(barnard.pvalue))
    boschloo = boschloo_exact(columns, alternative=alternative)
    return float(boschloo.statistic), min(1.0, float(boschloo.pvalue))


def _large_sample(groups: TwoGroups, method: str) -> tuple[float, float]:
    from scipy.stats import chi2_contingency

    family: Literal["pearson", "log-likelihood"] = "pearson" if method == "pearson" else "log-likelihood"
    result = chi2_contingency(_rows(groups), correction=False, lambda_=family)
    return float(result.statistic), float(result.pvalue)


def _without_p(method: str, alternative: Alternative, n: int, reason: str) -> TwoGroupTest:
    return TwoGroupTest(
        p_value=None,
        statistic=None,
        method=_NAMES[method],
        alternative=alternative,
        n=n,
        warnings=(Caution("no_data", reason),),
    )


def _refusal(groups: TwoGroups, method: str, alternative: Alternative) -> str:
    """Why this test cannot be made on these groups, in words; empty when it can."""
    if method in {"pearson", "likelihood_ratio"} and alternative != "two-sided":
        return f"{_NAMES[method]} has no one-sided form."
    many = groups.n1 + groups.n2 > MOST_CASES_UNCONDITIONAL
    if method in {"barnard", "boschloo"} and many:
        return (
            f"{groups.n1 + groups.n2} cases are too many for an unconditional exact test; "
            "Pearson's test is accurate with so many."
        )
    return ""


def two_group_test(
    x1: int,
    n1: int,
    x2: int,
    n2: int,
    *,
    method: TestMethod = "boschloo",
    alternative: Alternative = "two-sided",
) -> TwoGroupTest:
    """Test whether ``x1`` of ``n1`` and ``x2`` of ``n2`` come from one long-run share.

    ``method``: ``boschloo`` (default; never larger than Fisher's one-sided), ``barnard``, ``fisher``, ``pearson`` or
    ``likelihood_ratio``. ``alternative``: ``two-sided``, or the first share ``greater`` or ``less`` (exact tests only).
    Gives the p value with its statistic. With an empty group, with more cases than an unconditional test can take, or
    when a test has no such alternative, the p value is None and a warning says why. When all cases ended alike the p
    value is 1 and a warning says so. Raises RequestError where a pair of counts or the method is impossible.

    Source: Fisher 1935; Barnard 1947, Biometrika 34:123; Suissa & Shuster 1985, JRSS A 148:317 (the pooled
    statistic); Boschloo 1970, Stat Neerl 24:1. Computed by SciPy.
    """
    check_method(method, _NAMES)
    groups, n = checked_groups(x1, n1, x2, n2), n1 + n2
    if groups is None:
        return _without_p(method, alternative, n, empty_group_reason(n1, n2))
    refusal = _refusal(groups, method, alternative)
    if refusal:
        return _without_p(method, alternative, n, refusal)
    if x1 + x2 in {0, n}:
        alike = Caution("no_data", "All cases ended alike in both groups: nothing tells them apart.")
        return TwoGroupTest(
            p_value=1.0, statistic=None, method=_NAMES[method], alternative=alternative, n=n, warnings=(alike,)
        )
    if method == "fisher":
        statistic, p_value = _fisher(groups, alternative)
    elif method in {"barnard", "boschloo"}:
        statistic, p_value = _unconditional(groups, method, alternative)
    else:
        statistic, p_value = _large_sample(groups, method)
    return TwoGroupTest(p_value=p_value, statistic=statistic, method=_NAMES[method], alternative=alternative, n=n)
