"""Profiles of a penalised logistic likelihood: how far each coefficient can go before the fit suffers."""

from __future__ import annotations

from math import inf, isfinite, sqrt
from typing import TYPE_CHECKING

import numpy as np

from warehouse.analysis.penalised import Likelihood, maximise

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from warehouse.analysis.penalised import Optimum, Rows

    Floats = NDArray[np.float64]


class Profile:
    """The penalised fit of ``rows`` and the profiles of its coefficients.

    Attributes:
        best: The fit.
        covariance: Inverse Fisher information there, shape ``(p, p)``.
        separated: Whether the plain likelihood runs away from there.
    """

    def __init__(self, rows: Rows) -> None:
        p = rows.columns.shape[0]
        self.model = Likelihood(rows, penalised=True)
        self.every = np.arange(p)
        self.best = maximise(self.model, np.zeros(p), self.every)
        plain = maximise(Likelihood(rows, penalised=False), self.best.beta, self.every, most_steps=15)
        self.separated = not plain.converged
        if self.separated:
            self._look_further(plain.beta)
        self.covariance: Floats = np.asarray(np.linalg.inv(self.best.information), dtype=np.float64)

    def null(self) -> Optimum:
        """The best fit with every slope at zero."""
        return maximise(self.model, np.zeros(self.every.size), self.every[:1])

    def _look_further(self, far: Floats) -> None:
        """Separated data can give the penalised likelihood a second, higher peak on the way the plain one runs off."""
        steps = [self.best.beta + share * (far - self.best.beta) for share in (0.2, 0.4, 0.6, 0.8)]
        start = max(steps, key=lambda beta: self.model.at(beta).height)
        other = maximise(self.model, start, self.every)
        if other.converged and other.height > self.best.height + 1e-9:
            self.best = other

    def augmented_errors(self) -> Floats:
        """Standard errors from the information with the pseudo-cases added, shape ``(p,)``."""
        _, curvature = self.model.slope(self.model.at(self.best.beta))
        return np.asarray(np.sqrt(np.diagonal(np.linalg.inv(curvature))))

    def error(self, j: int) -> float:
        """Standard error of coefficient ``j`` from the inverse Fisher information."""
        return sqrt(float(self.covariance[j, j]))

    def at(self, j: int, value: float, near: Optimum) -> Optimum:
        """The best fit with coefficient ``j`` held at ``value``, started from a straight line through ``near``."""
        others = np.delete(self.every, j)
        start = near.beta.copy()
        start[j] = value
        if others.size:
            among, across = near.information[np.ix_(others, others)], near.information[others, j]
            start[others] -= np.linalg.lstsq(among, across)[0] * (value - near.beta[j])
        return maximise(self.model, start, others)

    def root_drop(self, fit: Optimum) -> float:
        """Square root of twice the drop in height: the distance from the estimate in standard errors."""
        return sqrt(max(0.0, 2.0 * (self.best.height - fit.height)))

    def limit(self, j: int, z: float, side: float) -> float:
        """Where the root drop of coefficient ``j`` reaches ``z`` on one side; infinite if it never does.

        Newton's method on the root drop, which is nearly straight, within a bracket that only ever shrinks.
        """
        value = float(self.best.beta[j]) + side * z * self.error(j)
        inner, outer, near = float(self.best.beta[j]), side * inf, self.best
        for _ in range(60):
            fit = self.at(j, value, near)
            drop = self.root_drop(fit)
            inner, outer = (value, outer) if drop < z else (inner, value)
            slope = abs(float(fit.gradient[j])) / max(drop, 1e-12)
            proposed = value + side * (z - drop) / slope if isfinite(drop) and slope > 0.0 else side * inf
            if abs(drop - z) < 1e-6 and isfinite(proposed):
                return proposed
            near = fit if isfinite(drop) else near
            value = _within(proposed, inner, outer, self.error(j) * side)
        return side * inf


def _within(proposed: float, inner: float, outer: float, step: float) -> float:
    """The proposal if it lies between the ends of the bracket, else a point that does."""
    low, high = min(inner, outer), max(inner, outer)
    if low < proposed < high:
        return proposed
    return (inner + outer) / 2.0 if isfinite(outer) else inner + 2.0 * step
