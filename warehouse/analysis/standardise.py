"""Standardised risks: what share would be adverse if every case were in one group, by a logistic model.

Also called g-computation or marginal risks. Own code: statsmodels gives marginal effects of a coefficient, not the two
risks, their ratio or an interval that takes the mix of cases as a sample; its effect serves as a check.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from warehouse.analysis.contrast import Errors, GroupContrast, Influence, at_least_padded, group_contrast, no_contrast
from warehouse.analysis.design import side_by_side
from warehouse.analysis.group_pair import GroupPair
from warehouse.analysis.logistic import LogisticFit, fit_or_fall_back, risks
from warehouse.analysis.spline import FloatArray
from warehouse.results import Caution

CaseMix = Literal["sampled", "fixed"]

POPULATION = "as if all cases had been in either group"
_METHOD = "standardised risks"


@dataclass(frozen=True, slots=True, eq=False)
class _Model:
    """Design of the outcome model as observed and with everyone moved to one group, each shape ``(n, p)``."""

    observed: FloatArray
    all_first: FloatArray
    all_second: FloatArray


def outcome_model(pair: GroupPair) -> LogisticFit:
    """Logistic model of the outcome given group and covariates, Firth's where the outcome is separated.

    The outcome must be a yes/no and no group empty. The coefficients are those of the intercept, the group (first over
    second) and the covariates.
    """
    return fit_or_fall_back(_model(pair).observed, pair.outcome)


def standardised_risks(
    pair: GroupPair,
    *,
    level: float = 0.95,
    case_mix: CaseMix = "sampled",
    model: LogisticFit | None = None,
    small_sample: bool = False,
) -> GroupContrast:
    """Mean modelled risk with everyone in the first, and in the second group.

    Estimand: the share adverse among all these cases had all been in one group, *if* the covariates are all that
    differs and the model is right. Model: logit risk = group + covariates. Variance by the delta
    method, G V G' with G the mean gradient and V the inverse information; ``sampled`` (default) adds the variance of
    the mean over the mix of cases, ``fixed`` takes the covariates as they stand.

    ``pair``: the cases; the outcome must be a yes/no. ``case_mix``: whether the covariates count as sampled or as
    fixed. ``model``: an :func:`outcome_model` already fitted to these cases. ``small_sample``: raise the errors by
    n / (n - p), take Student's t on n - p, and no error below that of Agresti and Caffo. Gives the two risks,
    difference and ratio; None with a sentence for an empty group or a continuous outcome.

    Source: Lane & Nelder 1982, Biometrics 38:613 (from memory);
    Hernan & Robins 2020, What If, chapter 13.
    """
    reason = _why_not(pair)
    if reason:
        return no_contrast(pair, population=POPULATION, method=_METHOD, reason=reason)
    designs = _model(pair)
    fit = model or outcome_model(pair)
    influence = _influence(pair, designs, fit, case_mix)
    return group_contrast(
        pair,
        influence,
        population=POPULATION,
        method=f"{_METHOD} by {fit.method}, delta method with the mix of cases {case_mix}",
        level=level,
        warnings=pair.design.warnings + _cautions(fit),
        small=_raised(influence, pair.n, designs.observed.shape[1]) if small_sample else None,
    )


def _raised(influence: Influence, n: int, p: int) -> Errors:
    df = float(max(1, n - p))
    errors = influence.errors()
    given = (errors.first, errors.second, errors.difference, errors.ratio)
    wider = Errors(*((error * (n / df) ** 0.5, df) for error, _ in given))
    return at_least_padded(wider, influence.values, influence.sizes)


def _why_not(pair: GroupPair) -> Caution | None:
    if pair.emptiness():
        return pair.emptiness()
    if not pair.binary:
        return Caution("no_data", "risks_of_yes_no_only")
    return None


def _model(pair: GroupPair) -> _Model:
    covariates = pair.design.matrix[:, 1:]

    def with_group(first: FloatArray) -> FloatArray:
        return side_by_side(np.ones(pair.n), first, covariates)

    return _Model(
        observed=with_group(pair.first.astype(np.float64)),
        all_first=with_group(np.ones(pair.n)),
        all_second=with_group(np.zeros(pair.n)),
    )


def _influence(pair: GroupPair, model: _Model, fit: LogisticFit, case_mix: CaseMix) -> Influence:
    parts = [_risk_and_influence(pair, design, fit, case_mix) for design in (model.all_first, model.all_second)]
    (first, influence_first), (second, influence_second) = parts
    events = [int(pair.outcome[side].sum()) for side in (pair.first, ~pair.first)]
    return Influence(
        values=(first, second),
        first=influence_first,
        second=influence_second,
        sizes=(float(pair.sizes[0]), float(pair.sizes[1])),
        events=(events[0], events[1]),
    )


def _risk_and_influence(
    pair: GroupPair, design: FloatArray, fit: LogisticFit, case_mix: CaseMix
) -> tuple[float, FloatArray]:
    """Mean risk and a vector whose square sum over its length squared is the variance.

    The vector holds what the mix of cases adds (n entries, 0 if it is fixed) and what the coefficients add (p entries,
    from a root of their covariance). The two do not correlate, because scores average to zero for any covariates; and
    vectors of two risks may be subtracted, because both share the root.
    """
    risk = risks(design, fit.coefficients)
    mean = float(risk.mean())
    gradient = (risk * (1.0 - risk)) @ design / pair.n
    values, vectors = np.linalg.eigh(fit.covariance)
    from_coefficients = gradient @ (vectors * np.sqrt(np.clip(values, 0.0, None)))
    from_mix = (risk - mean) / pair.n if case_mix == "sampled" else np.zeros(pair.n)
    both = np.concatenate([from_mix, from_coefficients])
    return mean, both * both.size


def _cautions(fit: LogisticFit) -> tuple[Caution, ...]:
    if not fit.penalised:
        return ()
    return (Caution("separation", "penalised_risks"),)
