"""The profiled likelihood of a linear mixed model with a random intercept, or intercept and slope, for every case.

Own code: statsmodels' MixedLM goes through the cases one by one in Python (about 40 s for 3,000 cases with three values
each, hours for a pool of practices) and stops with warnings at the boundary, where one part of the spread is zero. Here
all cases are handled at once from their cross-products, and the boundary is an ordinary value. The numbers agree with
statsmodels and nlme (see the tests). Source: Bates et al. 2015, J Stat Softw 67(1), section 3 (profiled deviance).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

if TYPE_CHECKING:
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
