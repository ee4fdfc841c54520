"""A random-effects model of the counts themselves, for outcomes that are rare in many practices.

``x_i | u_i ~ Binomial(n_i, expit(mu + u_i))``, ``u_i ~ N(0, tau2)``. Estimand: ``mu``, the log odds in the middle
practice. No zero cell needs a correction. The marginal
likelihood is integrated by adaptive Gauss-Hermite quadrature (Pinheiro & Bates 1995) and maximised here, because
statsmodels fits this model only by variational or posterior-mode approximations.

Source of the model and of the check figures: Stijnen, Hamza & Özdemir 2010, Stat Med 29:3046.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from warehouse.analysis.meta import back, back_interval
from warehouse.analysis.spline import FloatArray
from warehouse.errors import RequestError
from warehouse.results import Caution, Estimate, Interval, no_estimate


@dataclass(frozen=True, slots=True)
class PracticeCounts:
    """Counts of the practices with at least one case, and the quadrature rule."""

    x: FloatArray
    n: FloatArray
    nodes: FloatArray
    log_weights: FloatArray
    log_choose: FloatArray

    def log_likelihood(self, mu: float, tau: float) -> float:
        """Log of the product of all ``L_i``, binomial coefficients included."""
        logs, _, _ = self._terms(mu, tau)
        return float(np.sum(_log_sum(logs)))

    def gradient(self, mu: float, tau: float) -> FloatArray:
        """Derivatives with respect to ``mu`` and ``tau``, as means over each practice's own posterior."""
        logs, z, eta = self._terms(mu, tau)
        posterior = np.exp(logs - _log_sum(logs)[:, None])
        slope = self.x[:, None] - self.n[:, None] * _expit(eta)
        return np.array([np.sum(posterior * slope), np.sum(posterior * slope * z)])

    def _terms(self, mu: float, tau: float) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Log of every quadrature term, the points ``z`` and the log odds there, each ``(k, nodes)``."""
        mode, width = self._modes(mu, tau)
        z = mode[:, None] + math.sqrt(2) * width[:, None] * self.nodes
        eta = mu + tau * z
        binomial = self.log_choose[:, None] + self.x[:, None] * eta - self.n[:, None] * np.logaddexp(0, eta)
        normal = -0.5 * z**2 - 0.5 * math.log(2 * math.pi)
        scale = np.log(math.sqrt(2) * width)[:, None] + self.nodes**2 + self.log_weights
        return binomial + normal + scale, z, eta

    def _modes(self, mu: float, tau: float) -> tuple[FloatArray, FloatArray]:
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

    x, n = np.asarray(events, dtype=np.float64), np.asarray(totals, dtype=np.float64)
    if x.shape != n.shape or bool(np.any((x < 0) | (x > n))):
        found = "Counts that are below zero, above their total or of another length."
        raise RequestError(found, expected="0 <= count <= total, one pair a practice", remedy="check the input")
    x, n = x[n > 0], n[n > 0]
    points, weights = np.polynomial.hermite.hermgauss(nodes)
    choose = gammaln(n + 1) - gammaln(x + 1) - gammaln(n - x + 1)
    return PracticeCounts(x, n, points, np.log(weights), choose)


def _log_sum(logs: FloatArray) -> FloatArray:
    top = np.max(logs, axis=1)
    total: FloatArray = top + np.log(np.sum(np.exp(logs - top[:, None]), axis=1))
    return total


def _expit(eta: FloatArray) -> FloatArray:
    p: FloatArray = 0.5 * (1 + np.tanh(eta / 2))  # cannot overflow
    return p


_FARTHEST = 15.0  # logits either side of the estimate; an end beyond is a share of 0 or 1 to six decimals


_NODES = 25  # of the quadrature, a practice; below 7 the gradient no longer fits the likelihood


_LARGEST_TAU = 10.0  # an odds ratio of e**10 between practices one standard deviation apart


@dataclass(frozen=True, slots=True, kw_only=True)
class BinomialNormal:
    """The fitted model."""

    estimate: Estimate  # `mu` on the logit scale, with its interval
    share: Estimate  # The same taken back: the share in the middle practice
    se: float | None = None  # Standard error of `mu` from the observed information, or None
    tau2: float | None = None  # Between-practice variance of the log odds, or None
    # Interval for the share in a further practice, `mu +- z sqrt(tau2 + se**2)` taken back
    prediction: Interval | None = None


def binomial_normal(events: Sequence[int], totals: Sequence[int], *, level: float = 0.95) -> BinomialNormal:
    """Fit the binomial-normal model to the counts of ``k`` practices.

    ``events``: cases with the outcome, shape ``(k,)``. ``totals``: cases assessed, shape ``(k,)``; practices with none
    are counted as left out. The interval is that of the profile likelihood. No value, and the reason, when no case or
    every case has the outcome: the log odds have no end there.
    """
    counts = read_counts(events, totals, _NODES)
    empty = sum(1 for n in totals if n == 0)
    left_out = {"no case assessed": empty} if empty else {}
    method = f"binomial-normal model, adaptive Gauss-Hermite ({_NODES} nodes), profile interval"
    reason = _no_answer(counts)
    if reason:
        return _without_value(method, int(np.sum(counts.n)), reason)
    mu, tau = _fit(counts)
    se = _standard_error(counts, mu, tau)
    found = _profile(counts, mu, tau, se, level)
    estimate = Estimate(
        estimand="share in the middle practice (log odds)",
        value=mu,
        interval=found,
        method=method,
        n=int(np.sum(counts.n)),
        left_out=left_out,
        unit="logit",
        warnings=_cautions(counts, found),
    )
    return BinomialNormal(
        estimate=estimate,
        share=_share(estimate),
        se=se,
        tau2=tau**2,
        prediction=back_interval(_wald(mu, math.hypot(tau, se), level), "logit"),
    )


def _no_answer(counts: PracticeCounts) -> Caution | None:
    if counts.n.size == 0:
        return Caution("no_data", "none_assessed_in_any_practice")
    total, cases = int(np.sum(counts.x)), int(np.sum(counts.n))
    if total == 0:
        return Caution("no_data", "log_odds_without_lower_end", {"n": cases})
    if total == cases:
        return Caution("no_data", "log_odds_without_upper_end", {"n": cases})
    return None


def _fit(counts: PracticeCounts) -> tuple[float, float]:
    """The highest likelihood over ``mu`` and ``tau >= 0``.

    The likelihood is flat in tau at zero, so the search starts away from it and zero is tried on its own.
    """
    from scipy.optimize import minimize

    overall = float(np.sum(counts.x) / np.sum(counts.n))
    start = math.log(overall / (1 - overall))
    best, height = (start, 0.0), counts.log_likelihood(start, 0.0)

    def depth(at: NDArray[np.float64]) -> tuple[float, FloatArray]:
        mu, tau = float(at[0]), float(at[1])
        return -counts.log_likelihood(mu, tau), -counts.gradient(mu, tau)

    for tau in (0.3, 1.5):
        found = minimize(
            depth,
            np.array([start, tau]),
            jac=True,
            bounds=[(None, None), (0.0, _LARGEST_TAU)],
            method="L-BFGS-B",
            options={"ftol": 1e-15, "gtol": 1e-9},
        )
        if -float(found.fun) > height + 1e-9:
            best, height = (float(found.x[0]), float(found.x[1])), -float(found.fun)
    return best


def _standard_error(counts: PracticeCounts, mu: float, tau: float) -> float:
    """From the observed information of ``(mu, tau)``; of ``mu`` alone where the spread is zero."""
    step = 1e-4
    along_mu = (counts.gradient(mu + step, tau) - counts.gradient(mu - step, tau)) / (2 * step)
    if tau < step:
        return 1 / math.sqrt(-float(along_mu[0]))
    along_tau = (counts.gradient(mu, tau + step) - counts.gradient(mu, tau - step)) / (2 * step)
    information = -np.array([along_mu, along_tau])
    information = (information + information.T) / 2
    return math.sqrt(float(np.linalg.inv(information)[0, 0]))


def _wald(mu: float, se: float, level: float) -> Interval:
    from scipy.special import ndtri

    half = float(ndtri(0.5 + level / 2)) * se
    return Interval(mu - half, mu + half, level)


def _profile(counts: PracticeCounts, mu: float, tau: float, se: float, level: float) -> Interval:
    from scipy.optimize import minimize_scalar
    from scipy.special import chdtri

    floor = counts.log_likelihood(mu, tau) - float(chdtri(1, 1 - level)) / 2

    def above(at: float) -> float:
        found = minimize_scalar(
            lambda spread: -counts.log_likelihood(at, float(spread)),
            bounds=(0.0, _LARGEST_TAU),
            method="bounded",
            options={"xatol": 1e-8},
        )
        return max(-float(found.fun), counts.log_likelihood(at, 0.0)) - floor

    return Interval(_end(above, mu, -se), _end(above, mu, se), level)


def _end(above: Callable[[float], float], mu: float, step: float) -> float:
    """Where the profile falls below its floor, walking from ``mu`` by doubling steps; infinite if nowhere near."""
    from scipy.optimize import brentq

    farthest = mu + math.copysign(_FARTHEST, step)
    if above(farthest) > 0:
        return math.copysign(math.inf, step)
    inside, outside = mu, mu + step
    while above(outside) > 0:
        inside, outside = outside, outside + 2 * (outside - mu)
    return float(brentq(above, inside, outside, xtol=1e-9))


def _cautions(counts: PracticeCounts, found: Interval) -> tuple[Caution, ...]:
    cautions = []
    if counts.n.size < 5:
        cautions.append(Caution("small_sample", "few_practices", {"n": counts.n.size}))
    if math.isinf(found.low) or math.isinf(found.high):
        cautions.append(Caution("small_sample", "unbounded_on_one_side"))
    return tuple(cautions)


def _share(estimate: Estimate) -> Estimate:
    return Estimate(
        estimand="share in the middle practice",
        value=None if estimate.value is None else back(estimate.value, "logit"),
        interval=back_interval(estimate.interval, "logit"),
        method=estimate.method,
        n=estimate.n,
        left_out=estimate.left_out,
        warnings=estimate.warnings,
    )


def _without_value(method: str, n: int, reason: Caution) -> BinomialNormal:
    estimate = no_estimate(
        estimand="share in the middle practice (log odds)", method=method, n=n, reason=reason, unit="logit"
    )
    return BinomialNormal(
        estimate=estimate,
        share=_share(estimate),
    )
