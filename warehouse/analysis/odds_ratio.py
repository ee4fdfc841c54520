"""The odds ratio of two groups, by Woolf's logarithm and by the exact conditional likelihood.

The estimand is p1 (1 - p2) / (p2 (1 - p1)). The odds ratio lies further from 1 than the risk ratio unless the
outcome is rare, and is not to be read as "times as likely".
"""

from __future__ import annotations

from math import exp, isfinite, log, sqrt
from typing import Final, Literal

from warehouse.analysis.inputs import check_method, normal_p_value, z_value
from warehouse.analysis.two_groups import TwoGroups, checked_groups, empty_group_reason, few_cases_cautions
from warehouse.results import Caution, Estimate, Interval, no_estimate

OddsMethod = Literal["woolf", "conditional"]

#: Above this many cases the exact conditional interval takes seconds and equals Woolf's to any useful digit.
MOST_CASES_CONDITIONAL: Final = 50_000

ESTIMAND: Final = "odds ratio, first group over second"

_NAMES: Final = {
    "woolf": "Woolf log interval and Wald test of the log odds ratio",
    "conditional": "conditional maximum likelihood with exact interval",
}


def _haldane(groups: TwoGroups, added: float) -> tuple[float, float]:
    """Log odds ratio and its standard error with ``added`` put into each of the four cells."""
    a, b = groups.x1 + added, groups.n1 - groups.x1 + added
    c, d = groups.x2 + added, groups.n2 - groups.x2 + added
    return log(a * d / (b * c)), sqrt(1.0 / a + 1.0 / b + 1.0 / c + 1.0 / d)


def _has_zero_cell(groups: TwoGroups) -> bool:
    return groups.x1 in {0, groups.n1} or groups.x2 in {0, groups.n2}


def _woolf(groups: TwoGroups, level: float) -> Estimate:
    cautions = few_cases_cautions(groups.n1, groups.n2)
    zero = _has_zero_cell(groups)
    if zero:
        text = "A cell of the table is zero: one half was added to each cell (Haldane-Anscombe)."
        cautions = (*cautions, Caution("approximation", text))
    centre, error = _haldane(groups, 0.5 if zero else 0.0)
    half = z_value(level) * error
    return Estimate(
        estimand=ESTIMAND,
        value=exp(centre),
        interval=Interval(exp(centre - half), exp(centre + half), level),
        method=_NAMES["woolf"],
        n=groups.n1 + groups.n2,
        p_value=normal_p_value(centre / error),
        unit="ratio",
        warnings=cautions,
    )


def _conditional(groups: TwoGroups, level: float) -> Estimate:
    from scipy.stats.contingency import odds_ratio as conditional_odds_ratio

    n = groups.n1 + groups.n2
    if n > MOST_CASES_CONDITIONAL:
        reason = f"{n} cases are too many for the exact conditional interval; Woolf's is accurate with so many."
        return no_estimate(estimand=ESTIMAND, method=_NAMES["conditional"], n=n, reason=reason, unit="ratio")
    table = [[groups.x1, groups.n1 - groups.x1], [groups.x2, groups.n2 - groups.x2]]
    result = conditional_odds_ratio(table, kind="conditional")
    limits = result.confidence_interval(confidence_level=level)
    interval = Interval(float(limits.low), float(limits.high), level)
    cautions = few_cases_cautions(groups.n1, groups.n2)
    value = float(result.statistic)
    if not isfinite(value):
        text = f"The odds ratio has no finite value (a cell is zero); it may be as low as {interval.low:.2g}."
        cautions = (*cautions, Caution("no_data", text))
    return Estimate(
        estimand=ESTIMAND,
        value=value if isfinite(value) else None,
        interval=interval,
        method=_NAMES["conditional"],
        n=n,
        unit="ratio",
        warnings=cautions,
    )


def odds_ratio(x1: int, n1: int, x2: int, n2: int, *, method: OddsMethod = "woolf", level: float = 0.95) -> Estimate:
    """The odds ratio of ``x1`` of ``n1`` against ``x2`` of ``n2``, with its interval.

    ``method``: ``woolf`` (default) or ``conditional``. Gives an estimate in the unit ``ratio``. Value and interval are
    None when a group is empty or when nobody, or everybody, went adverse. With a zero cell ``woolf`` adds one half to
    each cell and says so; ``conditional`` (SciPy) gives 0, or None with an interval from a finite limit to infinity,
    and says so in words above 50 000 cases. The p value that goes with it is Fisher's, see :func:`two_group_test`.
    Raises RequestError where a pair of counts, the method or the level is impossible.

    Source: Woolf 1955, Ann Hum Genet 19:251; Cornfield 1956; Fisher 1935 (the lady tasting tea).
    """
    check_method(method, _NAMES)
    z_value(level)
    groups = checked_groups(x1, n1, x2, n2)
    if groups is None or x1 + x2 in {0, n1 + n2}:
        reason = "All cases ended alike in both groups, so an odds ratio does not exist."
        reason = reason if groups is not None else empty_group_reason(n1, n2)
        return no_estimate(estimand=ESTIMAND, method=_NAMES[method], n=n1 + n2, reason=reason, unit="ratio")
    return _woolf(groups, level) if method == "woolf" else _conditional(groups, level)
