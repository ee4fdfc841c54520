"""Least squares with robust errors, quick on a million cases and defined for a group of one.

Own code because the HC3 of statsmodels divides by zero when one case has a coefficient to itself; here such a case adds
nothing and what it alone decides has no error. Equal to statsmodels otherwise (see the tests). Errors of clusters
corrected for their small number (CR2), and the degrees of freedom that belong to them, statsmodels does not have.
"""

from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray

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


@dataclass(frozen=True, slots=True, kw_only=True)
class RobustValue:
    """A combination of coefficients with an error that knows clusters and small numbers."""

    value: float
    error: float
    df: float  # Satterthwaite's degrees of freedom for the error; 0 where it rests on nothing


class RobustFit:
    """Weighted least squares with errors of type CR2, or HC2 where every case is a cluster of its own."""

    def __init__(
        self, design: FloatArray, response: FloatArray, weights: FloatArray, clusters: NDArray[np.intp] | None = None
    ) -> None:
        """Fit the model.

        Each cluster's residuals are raised by (I - H_g)^(-1/2), so that their squares are unbiased where the errors are
        alike (in the weighted rows); a direction that a cluster alone decides adds nothing. All is worked out in the
        columns of the design, whatever the size of a cluster.

        ``design``: independent columns, shape ``(n, p)``. ``weights``: positive, shape ``(n,)``. ``clusters``: the
        number of each case's cluster from 0, shape ``(n,)``.

        Source: Bell & McCaffrey 2002, Survey Methodology 28:169; Pustejovsky & Tipton 2018, J Bus Econ Stat 36:672.
        """
        root = np.sqrt(weights)
        self._basis, upper = np.linalg.qr(design * root[:, None])
        self._back = np.linalg.inv(upper)
        target = response * root
        fitted = self._basis.T @ target
        self.coefficients = self._back @ fitted
        residual = beyond_rounding(target - self._basis @ fitted, target)
        self._clusters = clusters
        self._raised = self._raise()
        self._scores = self._sums(self._raised * residual[:, None])

    def _raise(self) -> FloatArray:
        """The rows of every cluster times its (I - H_g)^(-1/2), shape ``(n, p)``."""
        basis = self._basis
        if self._clusters is None:
            left = 1.0 - np.einsum("ij,ij->i", basis, basis)
            return basis * _root_of_inverse(left)[:, None]
        raised = np.empty_like(basis)
        for cluster in range(int(self._clusters.max()) + 1):
            rows = self._clusters == cluster
            values, vectors = np.linalg.eigh(basis[rows].T @ basis[rows])
            raised[rows] = basis[rows] @ (vectors * _root_of_inverse(1.0 - values)) @ vectors.T
        return raised

    def _sums(self, rows: FloatArray) -> FloatArray:
        """Sums over each cluster, shape ``(clusters, columns)``."""
        if self._clusters is None:
            return rows
        found = np.zeros((int(self._clusters.max()) + 1, rows.shape[1]))
        np.add.at(found, self._clusters, rows)
        return found

    def value(self, combination: FloatArray) -> RobustValue:
        """A linear combination of the coefficients, shape ``(p,)``, with error and degrees of freedom."""
        along = self._back.T @ combination
        moved = self._raised @ along
        own = self._sums(moved[:, None] ** 2)[:, 0]
        shared = self._sums(self._basis * moved[:, None])
        square = shared.T @ shared
        # the error's square has the mean tr(G) and the variance 2 tr(G^2), with G = diag(own) - shared shared'
        mean = float(own.sum() - np.trace(square))
        spread = float((own**2).sum() - 2.0 * own @ (shared**2).sum(axis=1) + (square**2).sum())
        return RobustValue(
            value=float(combination @ self.coefficients),
            error=float(np.linalg.norm(self._scores @ along)),
            df=mean**2 / spread if spread > 0.0 and mean > 1e-12 else 0.0,
        )


def _root_of_inverse(left: FloatArray) -> FloatArray:
    certain = left < 1.0 - _CERTAIN
    return np.where(certain, 0.0, 1.0 / np.sqrt(np.where(certain, 1.0, left)))
