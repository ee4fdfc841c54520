"""Unpenalised logistic regression for designs that may be separated or short of a column.

A thin layer over the maximiser of ``penalised``: it says in the result when no finite estimate exists, where
statsmodels raises or returns huge coefficients; and it ends with one more Newton step, because overlap weights balance
exactly only at the exact optimum.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from warehouse.analysis.design import independent_columns
from warehouse.analysis.penalised import Likelihood, Optimum, Rows, group_rows, maximise
from warehouse.analysis.spline import FloatArray

PENALISED = "Firth's penalised logistic regression"
_STEPS_TO_JUDGE = 20  # a finite optimum is reached in about ten
_ENOUGH_TO_BEGIN = 30_000  # cases whose optimum lies so near that of all that few steps are left
_FAR = 15.0  # a linear predictor out here is a probability within 3e-7 of 0 or 1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LogisticFit:
    """A fitted logistic model."""

    coefficients: FloatArray  # Log odds per unit, shape `(p,)`; 0 for a column that depends on those before it
    covariance: FloatArray  # Inverse of the information, shape `(p, p)`; 0 for such a column
    fitted: FloatArray  # Fitted probabilities, shape `(n,)`; NaN if separated
    # Whether no finite estimate exists: some combination of columns tells the outcomes apart without error, in
    # all or part of the cases. Coefficients are then 0 and mean nothing.
    separated: bool
    method: str = "logistic regression"  # `logistic regression` or the name of what replaced it

    @property
    def penalised(self) -> bool:
        """Whether the penalised fit replaced the maximum likelihood fit."""
        return self.method == PENALISED


def fit_logistic(design: FloatArray, response: FloatArray) -> LogisticFit:
    """Maximum likelihood fit of ``logit P(response = 1) = design @ coefficients``.

    ``design``: shape ``(n, p)``, with its own intercept column first. ``response``: shape ``(n,)``, 0 or 1. No case, or
    a response that is all 0 or all 1, is separated.
    """
    if response.size == 0:
        return _without_optimum(design)
    back = np.asarray(np.linalg.inv(_scaling(design)), dtype=np.float64)
    scaled = (back.T @ design.T).T  # case by case in memory as the climb reads it
    rows = group_rows(scaled, response, np.ones_like(response))
    free = np.arange(design.shape[1])
    found = _climb(rows, free)
    if not found.converged:  # perhaps only for want of a column
        free = np.flatnonzero(independent_columns(design))
        found = found if free.size == design.shape[1] else _climb(rows, free)
    return _as_fit(design, found, free, back) if found.converged else _without_optimum(design)


def firth(design: FloatArray, response: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Firth's penalised fit as a fallback: finite even where the data are separated.

    Gives coefficients, shape ``(p,)``, and the inverse information at them, shape ``(p, p)``; 0 for a column that
    depends on those before it.

    Source: Firth 1993, Biometrika 80:27; Heinze & Schemper 2002, Stat Med 21:2409.
    """
    back = np.asarray(np.linalg.inv(_scaling(design)), dtype=np.float64)  # the penalty does not mind the units
    rows = group_rows(design @ back, response, np.ones_like(response))
    free = np.flatnonzero(independent_columns(design))
    found = maximise(Likelihood(_only(rows, free), penalised=True), np.zeros(free.size), np.arange(free.size))
    coefficients, covariance = np.zeros(design.shape[1]), np.zeros_like(back)
    coefficients[free] = found.beta
    covariance[np.ix_(free, free)] = np.linalg.inv(found.information)
    return back @ coefficients, back @ covariance @ back.T


def fit_or_fall_back(design: FloatArray, response: FloatArray) -> LogisticFit:
    """The maximum likelihood fit, or :func:`firth`'s where the data are separated; separated only without a case."""
    fit = fit_logistic(design, response)
    if not fit.separated or response.size == 0:
        return fit
    coefficients, covariance = firth(design, response)
    return LogisticFit(
        coefficients=coefficients,
        covariance=covariance,
        fitted=risks(design, coefficients),
        separated=False,
        method=PENALISED,
    )


def risks(design: FloatArray, coefficients: FloatArray) -> FloatArray:
    """Probabilities of a logistic model, shape ``(n,)``."""
    from scipy.special import expit

    return np.asarray(expit(design @ coefficients), dtype=np.float64)


def _scaling(design: FloatArray) -> FloatArray:
    """The matrix that turns coefficients into those of centred columns of unit spread, shape ``(p, p)``.

    A year of 2026 beside an intercept is nearly the same column twice; centred, it is not.
    """
    mean = design.mean(axis=0)
    spread = design.std(axis=0)
    own = spread > 1e-8 * np.abs(mean)  # not the intercept, nor another constant
    scale = np.diag(np.where(own, spread, 1.0))
    scale[0, 1:] = np.where(own, mean, 0.0)[1:]
    return scale


def _only(rows: Rows, columns: NDArray[np.intp]) -> Rows:
    return Rows(np.ascontiguousarray(rows.columns[columns]), rows.events, rows.trials)


def _climb(rows: Rows, free: NDArray[np.intp]) -> Optimum:
    """Newton's climb; a fit that is running away is given up before it costs a hundred passes over the cases."""
    model = Likelihood(rows, penalised=False)
    found = maximise(model, _begun(rows, free), free, most_steps=_STEPS_TO_JUDGE)
    if found.converged or np.max(np.abs(found.beta @ rows.columns), initial=0.0) > _FAR:
        return found
    return maximise(model, found.beta, free)


def _begun(rows: Rows, free: NDArray[np.intp]) -> FloatArray:
    """Where to begin with very many cases: at the optimum of an even sample of them, if that has one."""
    begin, every = np.zeros(rows.columns.shape[0]), rows.events.size // _ENOUGH_TO_BEGIN
    if every < 2:
        return begin
    some = Rows(np.ascontiguousarray(rows.columns[:, ::every]), rows.events[::every], rows.trials[::every])
    found = maximise(Likelihood(some, penalised=False), begin, free, most_steps=_STEPS_TO_JUDGE)
    return found.beta if found.converged else begin


def _as_fit(design: FloatArray, found: Optimum, free: NDArray[np.intp], back: FloatArray) -> LogisticFit:
    covariance = np.zeros_like(back)
    coefficients = found.beta.copy()
    inverse = np.linalg.inv(found.information[np.ix_(free, free)])
    coefficients[free] += inverse @ found.gradient[free]  # the last step, which the climb leaves out
    covariance[np.ix_(free, free)] = inverse
    coefficients = back @ coefficients
    return LogisticFit(
        coefficients=coefficients,
        covariance=back @ covariance @ back.T,
        fitted=risks(design, coefficients),
        separated=False,
    )


def _without_optimum(design: FloatArray) -> LogisticFit:
    n, p = design.shape
    return LogisticFit(coefficients=np.zeros(p), covariance=np.zeros((p, p)), fitted=np.full(n, np.nan), separated=True)
