"""Marginal likelihood of the binomial-normal model by adaptive Gauss-Hermite quadrature.

``L_i = integral of Binomial(x_i | n_i, expit(mu + tau z)) phi(z) dz``. The nodes are centred on the peak of each
practice's integrand and scaled by its width there, so that a few of them do (Pinheiro & Bates 1995; from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from warehouse.errors import RequestError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

_FEWEST_NODES = 7


@dataclass(frozen=True, slots=True)
class PracticeCounts:
    """Counts of the practices with at least one case, and the quadrature rule."""

    x: Array
    n: Array
    nodes: Array
    log_weights: Array
    log_choose: Array

    def log_likelihood(self, mu: float, tau: float) -> float:
        """Log of the product of all ``L_i``, binomial coefficients included."""
        logs, _, _ = self._terms(mu, tau)
        return float(np.sum(_log_sum(logs)))

    def gradient(self, mu: float, tau: float) -> Array:
        """Derivatives with respect to ``mu`` and ``tau``, as means over each practice's own posterior."""
        logs, z, eta = self._terms(mu, tau)
        posterior = np.exp(logs - _log_sum(logs)[:, None])
        slope = self.x[:, None] - self.n[:, None] * _expit(eta)
        return np.array([np.sum(posterior * slope), np.sum(posterior * slope * z)])

    def _terms(self, mu: float, tau: float) -> tuple[Array, Array, Array]:
        """Log of every quadrature term, the points ``z`` and the log odds there, each ``(k, nodes)``."""
        mode, width = self._modes(mu, tau)
        z = mode[:, None] + math.sqrt(2) * width[:, None] * self.nodes
        eta = mu + tau * z
        binomial = self.log_choose[:, None] + self.x[:, None] * eta - self.n[:, None] * np.logaddexp(0, eta)
        normal = -0.5 * z**2 - 0.5 * math.log(2 * math.pi)
        scale = np.log(math.sqrt(2) * width)[:, None] + self.nodes**2 + self.log_weights
        return binomial + normal + scale, z, eta

    def _modes(self, mu: float, tau: float) -> tuple[Array, Array]:
        """Peak and width of each integrand; Newton steps cut to one, the integrand being log-concave."""
        z = np.zeros_like(self.x)
        for _ in range(200):
            p = _expit(mu + tau * z)
            bend = 1 + tau**2 * self.n * p * (1 - p)
            step = np.clip((tau * (self.x - self.n * p) - z) / bend, -1, 1)
            z = z + step
            if float(np.max(np.abs(step))) < 1e-10:
                break
        p = _expit(mu + tau * z)
        return z, 1 / np.sqrt(1 + tau**2 * self.n * p * (1 - p))


def read_counts(events: Sequence[int], totals: Sequence[int], nodes: int) -> PracticeCounts:
    """Counts of the practices with at least one case, ready to be integrated with ``nodes`` nodes each."""
    from scipy.special import gammaln

    if nodes < _FEWEST_NODES:
        found = f"{nodes} quadrature nodes."
        raise RequestError(found, expected=f"at least {_FEWEST_NODES}", remedy="leave the default")
    x, n = np.asarray(events, dtype=np.float64), np.asarray(totals, dtype=np.float64)
    if x.shape != n.shape or bool(np.any((x < 0) | (x > n))):
        found = "Counts that are below zero, above their total or of another length."
        raise RequestError(found, expected="0 <= count <= total, one pair a practice", remedy="check the input")
    x, n = x[n > 0], n[n > 0]
    points, weights = np.polynomial.hermite.hermgauss(nodes)
    choose = gammaln(n + 1) - gammaln(x + 1) - gammaln(n - x + 1)
    return PracticeCounts(x, n, points, np.log(weights), choose)


def _log_sum(logs: Array) -> Array:
    top = np.max(logs, axis=1)
    total: Array = top + np.log(np.sum(np.exp(logs - top[:, None]), axis=1))
    return total


def _expit(eta: Array) -> Array:
    p: Array = 0.5 * (1 + np.tanh(eta / 2))  # cannot overflow
    return p
