"""Propensity weighting: groups made alike in what was recorded, then compared.

Own code: statsmodels offers inverse probability weights for two populations only, without overlap weights and without
words for separation; its numbers are used as a check. Weighting balances what is in the model, never what is not: the
result is an association among cases made comparable on the listed variables, not a proof of cause.
"""

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from warehouse.analysis.contrast import Errors, GroupContrast, Influence, errors_of_fit, group_contrast, no_contrast
from warehouse.analysis.design import independent_columns, side_by_side
from warehouse.analysis.group_pair import GroupPair
from warehouse.analysis.least_squares import RobustFit, beyond_rounding
from warehouse.analysis.logistic import LogisticFit, fit_or_fall_back
from warehouse.analysis.spline import BoolArray, FloatArray
from warehouse.results import Caution

Target = Literal["everyone", "first_group", "overlap"]

POPULATIONS: dict[str, str] = {
    "everyone": "as if all cases had been in either group",
    "first_group": "as if for the cases of the first group",
    "overlap": "among cases who might well have been in either group",
}
METHODS: dict[str, str] = {
    "everyone": "inverse probability weights (average effect, Hajek)",
    "first_group": "inverse odds weights (effect in the first group, Hajek)",
    "overlap": "overlap weights",
}
_TINY = 1e-12


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WeightedComparison:
    """A weighted comparison and what it rests on."""

    contrast: GroupContrast  # The two values, difference and ratio
    effective_sizes: tuple[float, float]  # Kish's effective number of cases in the first and the second group
    # Modelled probability of being in the first group, shape `(n,)`; empty where it cannot be had
    propensity: FloatArray
    weights: FloatArray  # Weight of every case, shape `(n,)`


def propensity_model(pair: GroupPair) -> LogisticFit:
    """Logistic model of being in the first group given the covariates, Firth's where the groups are separated.

    Its ``fitted`` is the propensity, shape ``(n,)``; no group may be empty.
    """
    return fit_or_fall_back(pair.design.matrix, pair.first.astype(np.float64))


def balancing_weights(propensity: FloatArray, first: BoolArray, *, target: Target) -> FloatArray:
    """Weights that make both groups stand for the target population.

    With ``e`` the propensity, a case of the first and of the second group weighs: ``1/e`` and ``1/(1-e)`` for everyone;
    ``1`` and ``e/(1-e)`` for the first group; ``1-e`` and ``e`` for the overlap population.

    ``propensity``: probability of the first group, shape ``(n,)``. ``first``: membership of the first group, shape
    ``(n,)``. Gives shape ``(n,)``, not normalised.

    Source: Li, Morgan & Zaslavsky 2018, J Am Stat Assoc 113:390, table 1.
    """
    e = np.clip(propensity, _TINY, 1.0 - _TINY)
    if target == "everyone":
        return np.where(first, 1.0 / e, 1.0 / (1.0 - e))
    if target == "first_group":
        return np.where(first, 1.0, e / (1.0 - e))
    return np.where(first, 1.0 - e, e)


def effective_size(weights: FloatArray) -> float:
    """Kish's effective number of cases, (sum w)^2 / sum w^2; 0 for no case.

    Source: Kish 1965, Survey Sampling, section 8.2 (from memory).
    """
    squared = float(weights @ weights)
    return float(weights.sum()) ** 2 / squared if squared > 0 else 0.0


def weighted_comparison(
    pair: GroupPair,
    *,
    target: Target = "overlap",
    level: float = 0.95,
    model: LogisticFit | None = None,
    propensity_known: bool = False,
    small_sample: bool = False,
    clusters: NDArray[np.intp] | None = None,
) -> WeightedComparison:
    """Values of both groups weighted to one population, with sandwich intervals.

    Estimand: mean of the outcome in the target population with everyone in the first, and in the second group,
    *if* the covariates are all that differs. Each value is a weighted mean (Hajek). The sandwich stacks the score of
    the propensity model on the two weighted means, so the interval accounts for the estimated propensity (Lunceford &
    Davidian 2004, Stat Med 23:2937); with ``propensity_known`` it does not, which is the usual robust error of a
    weighted regression. Assumes independent cases and some chance of either group for every case.

    ``pair``: the cases; outcome a yes/no or a number. ``target``: ``overlap`` (default), ``everyone`` (average effect)
    or ``first_group``. ``model``: a propensity model already fitted to these cases. ``propensity_known``:
    treat the propensity as known rather than estimated. An empty group gives values of None with a sentence.

    ``small_sample`` puts a weighted linear model of the outcome on the group in the sandwich's place, with errors of
    type CR2 by ``clusters`` (numbers from 0, shape ``(n,)``) or HC2 without, and Student's t on Satterthwaite's degrees
    of freedom. With overlap weights the covariates are in that model too: those of a plain propensity balance them
    exactly, so the values are the same; after a penalised one the model takes out what they leave. For yes/no only.
    """
    population, method = POPULATIONS[target], METHODS[target]
    empty = pair.emptiness()
    if empty:
        return _without(no_contrast(pair, population=population, method=method, reason=empty))
    fit = model or propensity_model(pair)
    weights = balancing_weights(fit.fitted, pair.first, target=target)
    influence = _influence(pair, fit, weights, None if propensity_known else target)
    small = None
    if small_sample and pair.n <= len(pair.design.names) + 1:
        reason = Caution("no_data", "fewer_cases_than_columns", {"n": pair.n, "columns": len(pair.design.names) + 1})
        nothing = no_contrast(pair, population=population, method=method, reason=reason)
        return WeightedComparison(
            contrast=nothing, effective_sizes=influence.sizes, propensity=fit.fitted, weights=weights
        )
    if small_sample and pair.binary:
        influence, small = _by_model(pair, weights, influence, clusters, adjusted=target == "overlap")
    cautions = pair.design.warnings + _cautions(fit, influence.sizes, pair.sizes)
    error_name = "sandwich" if small is None else "HC2" if clusters is None else "CR2 (clustered)"
    contrast = group_contrast(
        pair,
        influence,
        population=population,
        method=f"{method}, propensity by {fit.method}, {error_name} error",
        level=level,
        warnings=cautions,
        small=small,
    )
    return WeightedComparison(
        contrast=contrast, effective_sizes=influence.sizes, propensity=fit.fitted, weights=weights
    )


def _by_model(
    pair: GroupPair, weights: FloatArray, influence: Influence, clusters: NDArray[np.intp] | None, *, adjusted: bool
) -> tuple[Influence, Errors]:
    """The two values by a weighted linear model of the group, ``adjusted`` with the covariates, and their errors."""
    first = pair.first
    alike = np.where(first, weights / weights[first].sum(), weights / weights[~first].sum()) * pair.n / 2.0
    design = side_by_side(np.ones(pair.n), first.astype(np.float64))
    if adjusted:
        covariates = pair.design.matrix[:, 1:]
        design = side_by_side(design, covariates - np.average(covariates, axis=0, weights=alike))
        design = design[:, independent_columns(design)]
    fit = RobustFit(design, pair.outcome, alike, clusters)
    second, gap = (float(one) for one in fit.coefficients[:2])
    values = (min(1.0, max(0.0, second + gap)), min(1.0, max(0.0, second)))
    return replace(influence, values=values), errors_of_fit(fit, values, influence.sizes, design.shape[1])


def weighted_means(outcome: FloatArray, first: BoolArray, weights: FloatArray) -> tuple[float, float]:
    """Weighted mean of the outcome in the first and in the second group."""
    one = np.where(first, weights, 0.0)
    two = weights - one
    return float(one @ outcome / one.sum()), float(two @ outcome / two.sum())


def _influence(pair: GroupPair, fit: LogisticFit, weights: FloatArray, target: Target | None) -> Influence:
    first, outcome = pair.first, pair.outcome
    values = weighted_means(outcome, first, weights)
    residual = beyond_rounding(outcome - np.where(first, values[0], values[1]), outcome)
    one = np.where(first, weights * residual, 0.0)
    two = np.where(first, 0.0, weights * residual)
    scale = float(weights[first].mean() * first.mean()), float(weights[~first].mean() * (~first).mean())
    if target is not None:
        one, two = (side + _propensity_part(pair, fit, side, target) for side in (one, two))
    return Influence(
        values=values,
        first=one / scale[0],
        second=two / scale[1],
        sizes=(effective_size(weights[first]), effective_size(weights[~first])),
        events=(int((outcome[first] == 1).sum()), int((outcome[~first] == 1).sum())),
    )


def _propensity_part(pair: GroupPair, fit: LogisticFit, residual: FloatArray, target: Target) -> FloatArray:
    """What estimating the propensity adds to each case's influence, from the derivative of the weights."""
    design, e = pair.design.matrix, fit.fitted
    slope = residual * _log_weight_slope(e, pair.first, target)
    gradient = slope @ design  # n times the mean derivative of the weighted residual
    score = pair.first - e
    return np.asarray(score * (design @ (fit.covariance @ gradient)))


def _log_weight_slope(e: FloatArray, first: BoolArray, target: Target) -> FloatArray:
    """Derivative of the log weight by the linear predictor of the propensity."""
    if target == "everyone":
        return np.where(first, e - 1.0, e)
    if target == "first_group":
        return np.where(first, 0.0, 1.0)
    return np.where(first, -e, 1.0 - e)


def _without(contrast: GroupContrast) -> WeightedComparison:
    nothing = np.empty(0)
    return WeightedComparison(contrast=contrast, effective_sizes=(0.0, 0.0), propensity=nothing, weights=nothing)


def _cautions(fit: LogisticFit, sizes: tuple[float, float], counts: tuple[int, int]) -> tuple[Caution, ...]:
    cautions = []
    if fit.penalised:
        cautions.append(Caution("separation", "penalised_propensity"))
    if any(size < 0.5 * count for size, count in zip(sizes, counts, strict=True)):
        cautions.append(
            Caution(
                "positivity",
                "little_information_left",
                {"first": sizes[0], "second": sizes[1], "n_first": counts[0], "n_second": counts[1]},
            )
        )
    return tuple(cautions)
