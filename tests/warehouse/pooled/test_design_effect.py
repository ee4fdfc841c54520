"""The design effect of pooled groups against another library's variance of a mean of clustered cases."""

from __future__ import annotations

import math

import numpy as np
import pytest
import statsmodels.api as sm
from statsmodels.stats.proportion import proportion_confint

from tests.study_group import agreement, counted, members, together
from warehouse.pooled.pooling import pooled_result
from warehouse.pooled.publishing import Publisher

AGREED = agreement(groupings=("extraction",), k=2, l=1)
# adverse and other cases of each practice
WITH = [(30, 70), (12, 68), (25, 45), (9, 81)]
WITHOUT = [(11, 99), (20, 70), (8, 82), (16, 74)]


def effect_of(groups: list[tuple[int, int]]) -> float:
    """Variance of the share with practices as clusters over that of independent cases, rounded up as the screens do.

    statsmodels: an intercept alone, ``cov_type="cluster"`` with its correction k / (k - 1), the other factor
    (N - 1) / (N - 1) being one.
    """
    outcome = np.concatenate([np.repeat([1.0, 0.0], pair) for pair in groups])
    practice = np.repeat(np.arange(len(groups)), [sum(pair) for pair in groups])
    fit = sm.OLS(outcome, np.ones(outcome.size)).fit(cov_type="cluster", cov_kwds={"groups": practice})
    share = outcome.mean()
    return math.ceil(10 * fit.cov_params()[0, 0] / (share * (1 - share) / outcome.size)) / 10


@pytest.mark.parametrize(("group", "cases"), [("extraction", WITH), ("non-extraction", WITHOUT)])
def test_the_interval_of_a_pooled_group_allows_for_practices_differing(
    group: str, cases: list[tuple[int, int]]
) -> None:
    given = [
        together(
            counted(*first, AGREED, extraction="extraction"),
            counted(*second, AGREED, extraction="non-extraction"),
            agreed=AGREED,
        )
        for first, second in zip(WITH, WITHOUT, strict=True)
    ]
    taken = members(given, AGREED, level="cases")
    publisher = Publisher(AGREED.pooled_policy)
    result = pooled_result(taken, AGREED, publisher=publisher, salt="s", number=1, made_on="2026-02-01")
    (breakdown,) = result.breakdowns
    share = next(row.share for row in breakdown.rows if row.label == group)
    adverse, total = (sum(pair[0] for pair in cases), sum(map(sum, cases)))
    effect = effect_of(cases)
    assert effect > 1.0
    low, high = proportion_confint(adverse / effect, total / effect, method="wilson")
    assert (share.value, share.n) == (pytest.approx(adverse / total), total)
    assert (share.low, share.high) == (pytest.approx(low, abs=1e-9), pytest.approx(high, abs=1e-9))
