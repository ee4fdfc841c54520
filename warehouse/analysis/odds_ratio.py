"""The odds ratio of two groups, by Woolf's logarithm.

The estimand is p1 (1 - p2) / (p2 (1 - p1)). The odds ratio lies further from 1 than the risk ratio unless the
outcome is rare, and is not to be read as "times as likely".
"""

from math import exp, log, sqrt
from typing import Final

from warehouse.analysis.inputs import normal_p_value, z_value
from warehouse.analysis.two_groups import checked_groups, empty_group_reason, few_cases_cautions
from warehouse.results import Caution, Estimate, Interval, no_estimate

ESTIMAND: Final = "odds ratio, first group over second"
_METHOD: Final = "Woolf log interval and Wald test of the log odds ratio"


def odds_ratio(x1: int, n1: int, x2: int, n2: int, *, level: float = 0.95) -> Estimate:
    """The odds ratio of ``x1`` of ``n1`` against ``x2`` of ``n2``, with its interval.

    Gives an estimate in the unit ``ratio``, None when a group is empty or when nobody, or everybody, went adverse. With
    a zero cell one half is added to each and a warning says so. Raises RequestError where a pair of counts or the level
    is impossible.

    Source: Woolf 1955, Ann Hum Genet 19:251.
    """
    z = z_value(level)
    groups = checked_groups(x1, n1, x2, n2)
    if groups is None or x1 + x2 in {0, n1 + n2}:
        reason = Caution("no_data", "all_alike_no_odds_ratio")
        reason = reason if groups is not None else empty_group_reason(n1, n2)
        return no_estimate(estimand=ESTIMAND, method=_METHOD, n=n1 + n2, reason=reason, unit="ratio")
    cautions = few_cases_cautions(n1, n2)
    cells = (x1, n1 - x1, x2, n2 - x2)
    if 0 in cells:
        cautions = (*cautions, Caution("approximation", "half_added"))
    a, b, c, d = (cell + 0.5 if 0 in cells else float(cell) for cell in cells)
    centre, error = log(a * d / (b * c)), sqrt(1.0 / a + 1.0 / b + 1.0 / c + 1.0 / d)
    return Estimate(
        estimand=ESTIMAND,
        value=exp(centre),
        interval=Interval(exp(centre - z * error), exp(centre + z * error), level),
        method=_METHOD,
        n=n1 + n2,
        p_value=normal_p_value(centre / error),
        unit="ratio",
        warnings=cautions,
    )
