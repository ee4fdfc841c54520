"""Ordinary least squares with HC3 errors, quick on a million cases and defined for a group of one.

Own code because the HC3 of statsmodels divides by zero when one case has a coefficient to itself; here such a case adds
nothing and what it alone decides has no error. Equal to statsmodels otherwise (see the tests).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np

from warehouse.analysis.spline import FloatArray

_CERTAIN = 1.0 - 1e-9  # a leverage beyond this: the case alone decides a coefficient


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LeastSquares:
    """A fitted linear model."""

    coefficients: FloatArray  # Shape `(p,)`
    covariance: FloatArray  # HC3, shape `(p, p)`
    df: int  # Residual degrees of freedom, n - p
    lone: FloatArray  # Influence of each case that alone decides something on the coefficients, shape `(such cases, p)`

    def value(self, combination: FloatArray) -> float:
        """A linear combination of the coefficients."""
        return float(combination @ self.coefficients)

    def error(self, combination: FloatArray) -> float | None:
        """Its standard error; None if it rests on a single case or no degree of freedom is left."""
        if self.df < 1 or np.abs(self.lone @ combination).max(initial=0.0) > 1e-9:
            return None
        return sqrt(max(0.0, float(combination @ self.covariance @ combination)))


def least_squares(design: FloatArray, response: FloatArray) -> LeastSquares:
    """Ordinary least squares with heteroscedasticity-consistent errors of type HC3.

    ``design``: independent columns, shape ``(n, p)``. ``response``: shape ``(n,)``.

    Source: MacKinnon & White 1985, J Econometrics 29:305; Long & Ervin 2000, Am Stat 54:217.
    """
    n, p = design.shape
    size = np.sqrt(np.sum(design**2, axis=0))
    scaled = design / np.where(size > 0, size, 1.0)
    upper = np.linalg.qr(scaled, mode="r") if n >= p else np.eye(p)
    root = np.linalg.inv(upper) / np.where(size > 0, size, 1.0)[:, None]
    basis = design @ root  # orthonormal columns: the normal equations without squaring the condition number
    coefficients = root @ (basis.T @ response)
    residual = beyond_rounding(response - design @ coefficients, response)
    leverage = np.einsum("ij,ij->i", basis, basis)
    lone = leverage > _CERTAIN
    weighted = np.where(lone, 0.0, residual / np.where(lone, 1.0, 1.0 - leverage))
    half = root @ (basis * weighted[:, None]).T
    return LeastSquares(coefficients=coefficients, covariance=half @ half.T, df=n - p, lone=basis[lone] @ root.T)


def beyond_rounding(residual: FloatArray, values: FloatArray) -> FloatArray:
    """Residuals with what is only rounding error of ``values`` set to zero, so that no spread is made of it."""
    largest = float(np.abs(values).max(initial=0.0))
    return np.where(np.abs(residual) <= 1e-12 * largest, 0.0, residual)
