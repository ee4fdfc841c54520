"""A linear mixed model: fixed effects, and an intercept (and slope) of its own for every case."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from warehouse.analysis.mixed_likelihood import Criterion, Products, case_products, factor_matrix, gradient, profile

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from warehouse.analysis.spline import FloatArray

_THIN_ABOVE = 40_000  # cases; above, the search starts from the optimum of every tenth case
_NEGLIGIBLE = 1e-4  # a relative spread below this counts as none


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MixedFit:
    """A fitted mixed model in the units of the data."""

    coefficients: FloatArray  # Fixed effects, shape `(p,)`
    covariance: FloatArray  # Their covariance, shape `(p, p)`
    spread: FloatArray  # Covariance of the random intercept (and slope), shape `(1, 1)` or `(2, 2)`
    residual_variance: float  # Variance within a case
    log_likelihood: float  # Of the criterion used
    converged: bool  # Whether the search ended properly
    singular: bool  # Whether `spread` lies on its boundary (a variance of zero, or a correlation of one)


def fit_mixed(
    design: FloatArray,
    response: FloatArray,
    times: FloatArray,
    cases: NDArray[np.intp],
    *,
    random_slope: bool,
    criterion: Criterion = "REML",
) -> MixedFit:
    """Fit response = design b + (case intercept) + (case slope) times + error.

    ``design``: fixed effects, independent columns, shape ``(n, p)`` with n > p. ``response``: shape ``(n,)``.
    ``times``: time of each value, shape ``(n,)``; the intercept's spread is that at time 0. ``cases``: number of the
    case each value belongs to, shape ``(n,)``. ``random_slope``: whether cases differ in slope as well. Gives the fit.
    Errors of fixed effects are those of lme4 and statsmodels; nlme multiplies them by sqrt(n / (n - p)) under full
    maximum likelihood.
    """
    centre, scale = (float(times.mean()), float(times.std())) if random_slope else (0.0, 1.0)
    base, turn = _orthonormal(design)
    ordinary = base.T @ response
    rest, scaled = response - base @ ordinary, (times - centre) / scale
    products = case_products(base, rest, scaled, cases)
    extra = -2.0 * float(np.linalg.slogdet(turn)[1]) if criterion == "REML" else 0.0

    if random_slope:
        start = np.array([1.0, 0.0, 0.5])
        if products.ones.size > _THIN_ABOVE:
            few = cases % 10 == 0
            start = _rough_start(case_products(base[few], rest[few], scaled[few], cases[few]), start)
        factor, converged = _descend_from_several(products, start, criterion)
    else:
        factor, converged = _search_level(products, criterion)
    at = profile(products, factor, criterion)
    relative = factor_matrix(factor)
    back = np.array([[1.0, -centre / scale], [0.0, 1.0 / scale]])[: relative.shape[0], : relative.shape[0]]
    root = back @ relative
    return MixedFit(
        coefficients=turn @ (ordinary + at.coefficients),
        covariance=at.residual_variance * turn @ np.linalg.inv(at.information) @ turn.T,
        spread=at.residual_variance * root @ root.T,
        residual_variance=at.residual_variance,
        log_likelihood=-0.5 * (at.deviance + extra),
        converged=converged,
        singular=bool(np.diagonal(relative).min() < _NEGLIGIBLE),
    )


def _orthonormal(design: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Orthonormal columns and the matrix that turns their coefficients into those of ``design``."""
    base, upper = np.linalg.qr(design)
    return np.asarray(base, dtype=np.float64), np.asarray(np.linalg.inv(upper), dtype=np.float64)


def _search_level(products: Products, criterion: Criterion) -> tuple[FloatArray, bool]:
    """The relative spread of a random intercept, by its share of the variance, which lies between 0 and 1."""
    from scipy.optimize import minimize_scalar

    def of_share(share: float) -> float:
        return profile(products, np.array([np.sqrt(share / (1.0 - share))]), criterion).deviance

    found = minimize_scalar(of_share, bounds=(0.0, 1.0 - 1e-9), method="bounded", options={"xatol": 1e-11})
    share = 0.0 if of_share(0.0) <= found.fun else float(found.x)
    return np.array([np.sqrt(share / (1.0 - share))]), bool(found.success)


def _rough_start(few: Products, start: FloatArray) -> FloatArray:
    """The optimum of a tenth of the cases, if they can be fitted by themselves."""
    try:
        return _descend(few, start, "ML")[0]
    except np.linalg.LinAlgError:  # a rare level is not among them
        return start


def _descend_from_several(products: Products, start: FloatArray, criterion: Criterion) -> tuple[FloatArray, bool]:
    """The best of several searches where the first ends with slopes that do not differ on their own.

    The likelihood is even in the last element of the factor, so that its slope at zero is always zero: a search that
    once comes there stays, whether or not it is the optimum.
    """
    found = [_descend(products, start, criterion)]
    if found[0][0][2] < _NEGLIGIBLE:
        level = max(1.0, float(found[0][0][0]))
        found += [_descend(products, np.array([level, 0.0, spread]), criterion) for spread in (0.2, 1.0)]
    return min(found, key=lambda one: profile(products, one[0], criterion).deviance)


def _descend(products: Products, start: FloatArray, criterion: Criterion) -> tuple[FloatArray, bool]:
    from scipy.optimize import minimize

    def height_and_slope(factor: FloatArray) -> tuple[float, FloatArray]:
        at = profile(products, factor, criterion)
        return at.deviance / products.n, gradient(products, factor, at, criterion) / products.n

    found = minimize(
        height_and_slope,
        start,
        method="L-BFGS-B",
        jac=True,
        bounds=[(0.0, None), (None, None), (0.0, None)],
        options={"ftol": 1e-15, "gtol": 1e-8, "maxiter": 500},
    )
    settled = bool(found.success) or float(np.abs(found.jac).max()) < 1e-5
    return np.asarray(found.x, dtype=np.float64), settled
