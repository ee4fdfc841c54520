"""A random-effects model of the counts themselves, for outcomes that are rare in many practices.

``x_i | u_i ~ Binomial(n_i, expit(mu + u_i))``, ``u_i ~ N(0, tau2)``. Estimand: ``mu``, the log odds in the middle
practice. No zero cell needs a correction. The marginal
likelihood is integrated by adaptive Gauss-Hermite quadrature (Pinheiro & Bates 1995) and maximised here, because
statsmodels fits this model only by variational or posterior-mode approximations. Intervals average over the spread
between practices, every ``tau`` up to 3 taken as likely as any other before the data (a uniform prior: Gelman 2006,
Bayesian Anal 1:515; from memory), since a single fitted spread is too often too small where practices are few.

Source of the model and of the check figures: Stijnen, Hamza & Özdemir 2010, Stat Med 29:3046.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from warehouse.analysis.meta import back, back_interval
from warehouse.analysis.roots import crossing
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

    def slope_and_bend(self, mu: float, tau: float) -> tuple[float, float]:
        """First derivative with respect to ``mu``, and minus the second; both over each practice's own posterior."""
        logs, _, eta = self._terms(mu, tau)
        posterior = np.exp(logs - _log_sum(logs)[:, None])
        p = _expit(eta)
        slope = self.x[:, None] - self.n[:, None] * p
        mean = np.sum(posterior * slope, axis=1)
        spread = np.sum(posterior * (self.n[:, None] * p * (1 - p) - slope**2), axis=1) + mean**2
        return float(np.sum(mean)), float(np.sum(spread))

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


_NODES = 25  # of the quadrature, a practice; below 7 the gradient no longer fits the likelihood
_LARGEST_TAU = 10.0  # an odds ratio of e**10 between practices one standard deviation apart
_SPREADS = np.linspace(0.0, 3.0, 31)  # averaged over; at 3 the middle two thirds of practices reach from 5% to 95%


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
    are counted as left out. No value, and the reason, when no case or every case has the outcome: the log odds have no
    end there.
    """
    counts = read_counts(events, totals, _NODES)
    empty = sum(1 for n in totals if n == 0)
    left_out = {"no case assessed": empty} if empty else {}
    method = f"binomial-normal model, adaptive Gauss-Hermite ({_NODES} nodes), averaged over spreads"
    reason = _no_answer(counts)
    if reason:
        return _without_value(method, int(np.sum(counts.n)), reason)
    mu, tau = _fit(counts)
    se = _standard_error(counts, mu, tau)
    found, ahead = _averaged(counts, mu, level)
    estimate = Estimate(
        estimand="share in the middle practice (log odds)",
        value=mu,
        interval=found,
        method=method,
        n=int(np.sum(counts.n)),
        left_out=left_out,
        unit="logit",
        warnings=(Caution("small_sample", "few_practices", {"n": counts.n.size}),) if counts.n.size < 5 else (),
    )
    return BinomialNormal(
        estimate=estimate, share=_share(estimate), se=se, tau2=tau**2, prediction=back_interval(ahead, "logit")
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


def _averaged(counts: PracticeCounts, mu: float, level: float) -> tuple[Interval, Interval]:
    """Intervals for ``mu`` and for the log odds of a further practice, over all spreads by what the counts say of each.

    Given a spread, ``mu`` is normal about its own maximum, which is unique: the likelihood is log-concave in it.
    """
    middles, errors, logs = [], [], []
    for tau in _SPREADS:
        for _ in range(100):
            slope, bend = counts.slope_and_bend(mu, tau)
            step = max(-1.0, min(1.0, slope / bend))
            mu += step
            if abs(step) < 1e-7:
                break
        middles.append(mu)
        errors.append(bend**-0.5)
        logs.append(counts.log_likelihood(mu, tau) - math.log(bend) / 2)
    weights = np.exp(np.array(logs) - max(logs))
    weights[[0, -1]] /= 2  # the trapezium rule
    weights /= weights.sum()
    at, error = np.array(middles), np.array(errors)
    return _quantiles(weights, at, error, level), _quantiles(weights, at, np.hypot(error, _SPREADS), level)


def _quantiles(weights: FloatArray, middles: FloatArray, widths: FloatArray, level: float) -> Interval:
    """The middle part, of probability ``level``, of normals mixed."""
    from scipy.special import ndtr

    def above(part: float, z: float) -> float:
        return float(weights @ ndtr((z - middles) / widths)) - part

    low, high = float(np.min(middles - 12 * widths)), float(np.max(middles + 12 * widths))
    lower, upper = (
        crossing(partial(above, part), low, high, within=1e-9) for part in ((1 - level) / 2, (1 + level) / 2)
    )
    return Interval(lower, upper, level)


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
    return BinomialNormal(estimate=estimate, share=_share(estimate))
