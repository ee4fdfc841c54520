"""The adjusted odds ratio of two groups where there are so many cases that a penalty would change nothing."""

from __future__ import annotations

from math import exp, sqrt
from typing import TYPE_CHECKING

from warehouse.analysis.inputs import normal_p_value, z_value
from warehouse.results import Estimate, Interval

if TYPE_CHECKING:
    from warehouse.questions.methods import PreparedPair


def plain_odds_ratio(prepared: PreparedPair) -> Estimate | None:
    """Odds ratio of the first group against the second by the outcome model, with Wald's interval and test.

    Returns:
        The estimate in the unit ``ratio``; None where there is no plain fit, so that the caller may penalise.
    """
    pair, fit = prepared.pair, prepared.outcome_model
    if fit is None or fit.separated or fit.penalised:
        return None
    error = sqrt(max(0.0, float(fit.covariance[1, 1])))
    if error == 0.0:
        return None
    value, half = float(fit.coefficients[1]), z_value(prepared.level) * error
    return Estimate(
        estimand=f"odds ratio of going adverse, {pair.labels[0]} against {pair.labels[1]}",
        value=exp(value),
        interval=Interval(exp(value - half), exp(value + half), prepared.level),
        method=f"{fit.method}, Wald interval and test",
        n=pair.n,
        left_out=pair.left_out,
        p_value=normal_p_value(value / error),
        unit="ratio",
        adjusted_for=pair.design.names[1:],
    )
