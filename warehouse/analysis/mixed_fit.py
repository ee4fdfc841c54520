"""A linear mixed model: fixed effects, and an intercept (and slope) of its own for every case."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from warehouse.analysis.spline import FloatArray

Criterion = Literal["REML", "ML"]


@dataclass(frozen=True, slots=True, eq=False)
class Products:
    """Cross-products of every case, A = [X y] and Z = [1 t]."""

    ones: FloatArray  # Sum of 1, shape `(cases,)`
    times: FloatArray  # Sum of t
    squares: FloatArray  # Sum of t^2
    level: FloatArray  # Sum of the rows of A, shape `(cases, p + 1)`
    slope: FloatArray  # Sum of the rows of t A
    total: FloatArray  # A'A over all values, shape `(p + 1, p + 1)`
    n: int  # Number of values


@dataclass(frozen=True, slots=True, eq=False)
class Profiled:
    """The profiled likelihood at one relative covariance factor."""

    deviance: float
    coefficients: FloatArray
    information: FloatArray
    residual_variance: float


def case_products(base: FloatArray, rest: FloatArray, times: FloatArray, cases: NDArray[np.intp]) -> Products:
    """Sum the products of design ``(n, p)``, response ``(n,)`` and times ``(n,)`` over the values of each case."""
    order = np.argsort(cases, kind="stable")
    t = times[order]
    both = np.column_stack([base, rest])[order]
    starts = np.flatnonzero(np.r_[True, np.diff(cases[order]) != 0])

    def per_case(values: FloatArray) -> FloatArray:
        return np.add.reduceat(values, starts, axis=0)

    return Products(
        ones=per_case(np.ones_like(t)),
        times=per_case(t),
        squares=per_case(t * t),
        level=per_case(both),
        slope=per_case(both * t[:, None]),
        total=both.T @ both,
        n=t.size,
    )


def factor_matrix(factor: FloatArray) -> FloatArray:
    """The lower triangular factor of the random effects' covariance relative to the residual variance."""
    if factor.size == 1:
        return factor.reshape(1, 1)
    return np.array([[factor[0], 0.0], [factor[1], factor[2]]])


def profile(products: Products, factor: FloatArray, criterion: Criterion) -> Profiled:
    """The likelihood with the best fixed effects and residual variance for one relative covariance factor."""
    explained, log_determinant = _explained(products, factor)
    remaining = products.total - explained
    p = remaining.shape[0] - 1
    information, cross = remaining[:p, :p], remaining[:p, p]
    coefficients = np.asarray(np.linalg.solve(information, cross), dtype=np.float64)
    squares = max(float(remaining[p, p] - cross @ coefficients), 1e-300)
    df = products.n - p if criterion == "REML" else products.n
    deviance = df * (np.log(2.0 * np.pi * squares / df) + 1.0) + log_determinant
    if criterion == "REML":
        deviance += float(np.linalg.slogdet(information)[1])
    return Profiled(float(deviance), coefficients, information, squares / df)


def _explained(products: Products, factor: FloatArray) -> tuple[FloatArray, float]:
    """Sum over cases of A'Z L (I + L'Z'Z L)^-1 L'Z'A, and the sum of log determinants."""
    if factor.size == 1:
        inner = 1.0 + factor[0] ** 2 * products.ones
        scaled = products.level * (factor[0] / np.sqrt(inner))[:, None]
        return scaled.T @ scaled, float(np.log(inner).sum())
    root = _root(products, factor)
    one, two = _solved(products, factor, root)
    return one.T @ one + two.T @ two, float(2.0 * (np.log(root.top) + np.log(root.bottom)).sum())


@dataclass(frozen=True, slots=True, eq=False)
class _Root:
    """Upper Cholesky root [[top, side], [0, bottom]] of I + L'Z'Z L, one a case."""

    top: FloatArray
    side: FloatArray
    bottom: FloatArray


def _root(products: Products, factor: FloatArray) -> _Root:
    a, b, c = factor  # L = [[a, 0], [b, c]]
    top = np.sqrt(1.0 + a * a * products.ones + 2.0 * a * b * products.times + b * b * products.squares)
    side = c * (a * products.times + b * products.squares) / top
    bottom = np.sqrt(np.maximum(1.0 + c * c * products.squares - side * side, 1e-300))
    return _Root(top, side, bottom)


def _solved(products: Products, factor: FloatArray, root: _Root) -> tuple[FloatArray, FloatArray]:
    """The two rows of (root')^-1 L'Z'A, each shape ``(cases, p + 1)``."""
    a, b, c = factor
    one = (a * products.level + b * products.slope) / root.top[:, None]
    two = (c * products.slope - root.side[:, None] * one) / root.bottom[:, None]
    return one, two


def gradient(products: Products, factor: FloatArray, at: Profiled, criterion: Criterion) -> FloatArray:
    """Derivative of the profiled deviance by the three entries of L = [[a, 0], [b, c]].

    With M = I + L'Z'Z L and u = M^-1 L'Z'r: 2 sum Z'Z L M^-1 - 2 sum (Z'r - Z'Z L u) u' / s^2, and under REML the
    second sum once more with the columns of X times the root of the inverse information in place of r / s.
    """
    a, b, c = factor
    root = _root(products, factor)
    one, two = _solved(products, factor, root)
    turn = np.append(-at.coefficients, 1.0)[:, None] / np.sqrt(at.residual_variance)
    if criterion == "REML":
        inverse_root = np.linalg.inv(np.linalg.cholesky(at.information)).T
        turn = np.column_stack([turn, np.vstack([inverse_root, np.zeros(inverse_root.shape[1])])])
    low = (two @ turn) / root.bottom[:, None]
    high = (one @ turn - root.side[:, None] * low) / root.top[:, None]
    first, second = a * high, b * high + c * low
    ones, times, squares = products.ones[:, None], products.times[:, None], products.squares[:, None]
    rest_level = products.level @ turn - ones * first - times * second
    rest_slope = products.slope @ turn - times * first - squares * second
    quadratic = np.array([np.vdot(rest_level, high), np.vdot(rest_slope, high), np.vdot(rest_slope, low)])
    return np.asarray(2.0 * (_determinant_gradient(products, factor, root) - quadratic))


def _determinant_gradient(products: Products, factor: FloatArray, root: _Root) -> FloatArray:
    """Sum over cases of the entries of Z'Z L M^-1 that belong to a, b and c."""
    a, b, c = factor
    m22 = 1.0 / root.bottom**2
    tilt = root.side / root.top
    m12 = -tilt * m22
    m11 = 1.0 / root.top**2 + tilt**2 * m22
    left, right = b * m11 + c * m12, b * m12 + c * m22
    return np.array(
        [
            products.ones @ (a * m11) + products.times @ left,
            products.times @ (a * m11) + products.squares @ left,
            products.times @ (a * m12) + products.squares @ right,
        ]
    )


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
