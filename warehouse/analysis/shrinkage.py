"""Partial pooling of group rates: a small group's noisy rate is drawn towards what the groups have in common.

Shown beside the raw rate, never instead of it. Groups are exchangeable in this model: nothing known beforehand says
which should have the higher rate.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, log

import numpy as np

from warehouse.analysis.inputs import check_counts, check_length, check_level
from warehouse.analysis.proportion import proportion
from warehouse.analysis.spline import FloatArray
from warehouse.results import Caution, Estimate, Interval, no_estimate

_METHOD = "beta-binomial partial pooling, common rate and its weight integrated out"
_FEW_GROUPS = 4  # below, how much groups differ can hardly be told from their rates (common practice, no source)
_SHARES = 48  # points over the share of shrinkage
_MEANS = 61  # points over the common rate for each of them
_REACH = 6.0  # how many standard errors those points reach to either side


@dataclass(frozen=True, slots=True, kw_only=True)
class CountedGroup:
    """One group's rate as counted and as pooled."""

    group: str  # Its name
    raw: Estimate  # Adverse over cases, Wilson interval; value None without a case
    pooled: Estimate  # Posterior mean and interval; for a group without a case that of a group like the others
    # How much of the pooled rate comes from the group itself, 0 to 1; the rest is the common rate
    weight_on_own: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class PartialPooling:
    """All groups' rates and the fitted common distribution (by maximum likelihood, for the record)."""

    rates: tuple[CountedGroup, ...]
    fit: BetaBinomialFit
    warnings: tuple[Caution, ...]


def partial_pooling(
    groups: Sequence[str], adverse: Sequence[int], cases: Sequence[int], *, level: float = 0.95
) -> PartialPooling:
    """Pool the rates of groups partially.

    Model: adverse ~ binomial(cases, rate), rate ~ beta with mean mu and worth M cases. The marginal likelihood of mu
    and M is integrated against a flat prior for mu and for the correlation 1 / (M + 1) of two cases of one group, so
    that tiny counts neither pool fully nor not at all, as they often do at the maximum of the same likelihood. A flat
    correlation is, where groups differ little, a flat variance between groups: the choice with which the intervals
    hold the truth about as often as they say, whatever the variance. The uniform shrinkage prior (Daniels 1999) draws
    harder and its 95% intervals hold 93%. The interval is of the beta distribution with the posterior mean and
    variance.

    ``adverse``: adverse cases of each. ``cases``: cases of each. ``level``: nominal coverage, on average over groups
    from the common distribution. Gives the rates in the order given. Without any case every value is None with a
    sentence. Raises RequestError where the counts are not counts, or lengths differ.

    Source: Tak, Kelly & Morris 2017, J Stat Softw 78(5) (a flat variance, for coverage; what it says of the prior is
    from memory). Coverage: simulated in ``tests/proof``.
    """
    check_level(level)
    check_length(len(adverse), len(groups), what="the list of adverse cases")
    check_length(len(cases), len(groups), what="the list of cases")
    for name, x, n in zip(groups, adverse, cases, strict=True):
        check_counts(x, n, where=name)
    counts, sizes = np.asarray(adverse, dtype=np.float64), np.asarray(cases, dtype=np.float64)
    raw = [proportion(x, n, level=level) for x, n in zip(adverse, cases, strict=True)]
    fit = fit_beta_binomial(counts, sizes)
    if not (sizes > 0).any():
        nothing = tuple(_without(name, found) for name, found in zip(groups, raw, strict=True))
        return PartialPooling(rates=nothing, fit=fit, warnings=nothing[0].pooled.warnings if nothing else ())
    posterior = _posterior(counts, sizes)
    cautions = _cautions(int((sizes > 0).sum()), fit)
    rates = tuple(
        CountedGroup(
            group=name,
            raw=raw[i],
            pooled=_estimate(posterior, i, int(sizes[i]), level, cautions),
            weight_on_own=float(posterior.own[i]),
        )
        for i, name in enumerate(groups)
    )
    return PartialPooling(rates=rates, fit=fit, warnings=cautions)


@dataclass(frozen=True, slots=True, eq=False)
class _Posterior:
    """Posterior mean and variance of every group's rate, and the weight on its own cases, each shape ``(groups,)``."""

    mean: FloatArray
    variance: FloatArray
    own: FloatArray


def _posterior(x: FloatArray, n: FloatArray) -> _Posterior:
    mu, weight, mass = _grid(x[n > 0], n[n > 0])
    means = (x + mu[:, None] * weight[:, None]) / (n + weight[:, None])
    spreads = means * (1.0 - means) / (n + weight[:, None] + 1.0)
    mean = mass @ means
    variance = mass @ (spreads + (means - mean) ** 2)
    return _Posterior(mean, variance, mass @ (n / (n + weight[:, None])))


def _grid(x: FloatArray, n: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Points (mu, M) and their posterior mass, each shape ``(points,)``; n > 0."""
    weight, weight_prior = _weights(n)
    centre, error = _mean_given_weight(x, n, weight)
    logit = centre[:, None] + error[:, None] * np.linspace(-_REACH, _REACH, _MEANS)
    mu = 1.0 / (1.0 + np.exp(-logit))
    a = mu * weight[:, None]
    b = weight[:, None] / (1.0 + np.exp(logit))
    height = sum(log_beta_binomial(xi, ni, a, b) for xi, ni in zip(x, n, strict=True))
    prior = weight_prior[:, None] + np.log(mu) + np.log(b / weight[:, None]) + np.log(error[:, None])
    total = height + prior
    mass = np.exp(total - total.max())
    return mu.ravel(), np.repeat(weight, _MEANS), (mass / mass.sum()).ravel()


def _weights(n: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Points M, even in the share of shrinkage M / (M + h) of a typical group, and the log of their prior mass."""
    node, node_mass = np.polynomial.legendre.leggauss(_SHARES)
    share = (node + 1.0) / 2.0
    typical = n.size / float(np.sum(1.0 / n))
    weight = typical * share / (1.0 - share)
    by_weight = node_mass * (weight + typical) ** 2 / typical  # share is even, so M has mass by its derivative
    return weight, np.log(by_weight) - 2.0 * np.log1p(weight)  # 1 / (M + 1) is flat


def _mean_given_weight(x: FloatArray, n: FloatArray, weight: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Log odds of the common rate and their rough standard error for every M, to lay the points around."""
    worth = n / (1.0 + (n - 1.0) / (weight[:, None] + 1.0))  # cases' worth of information on the common rate
    mean = (worth @ (x / n) + 0.5) / (worth.sum(axis=1) + 1.0)
    return np.log(mean / (1.0 - mean)), 1.0 / np.sqrt(mean * (1.0 - mean) * (worth.sum(axis=1) + 1.0))


def _estimate(posterior: _Posterior, i: int, n: int, level: float, cautions: tuple[Caution, ...]) -> Estimate:
    from scipy.special import betaincinv

    mean, variance = float(posterior.mean[i]), float(posterior.variance[i])
    size = mean * (1.0 - mean) / variance - 1.0
    low, high = betaincinv(mean * size, (1.0 - mean) * size, np.array([1.0 - level, 1.0 + level]) / 2.0)
    own = (Caution("no_data", "no_case_of_its_own"),)
    return Estimate(
        estimand="share adverse, partially pooled",
        value=mean,
        interval=Interval(float(low), float(high), level),
        method=_METHOD,
        n=n,
        warnings=cautions if n else own + cautions,
    )


def _cautions(groups: int, fit: BetaBinomialFit) -> tuple[Caution, ...]:
    cautions = []
    if groups < _FEW_GROUPS:
        cautions.append(Caution("small_sample", "few_groups", {"n": groups}))
    if groups > 1 and np.isinf(fit.prior_cases):
        cautions.append(Caution("approximation", "rates_differ_by_chance"))
    return tuple(cautions)


def _without(group: str, raw: Estimate) -> CountedGroup:
    reason = Caution("no_data", "no_group_has_case")
    nothing = no_estimate(estimand="share adverse, partially pooled", method=_METHOD, n=0, reason=reason)
    return CountedGroup(group=group, raw=raw, pooled=nothing, weight_on_own=None)


_LOG_PRIOR_CASES = (-9.0, 16.0)  # the search for the prior's weight runs from almost nothing to nine million cases


@dataclass(frozen=True, slots=True, kw_only=True)
class BetaBinomialFit:
    """Maximum likelihood fit of rate ~ beta(mean x prior_cases, (1 - mean) x prior_cases)."""

    mean: float | None  # Mean rate of the groups; None without a case
    # How many cases the common rate is worth for each group; infinite if the rates differ no more than chance
    # makes them differ
    prior_cases: float
    log_likelihood: float  # With the binomial coefficients, so that one group of one case has log(mean)


def fit_beta_binomial(adverse: FloatArray, cases: FloatArray) -> BetaBinomialFit:
    """Fit mean and weight of the common rate by marginal likelihood.

    ``adverse``: adverse cases of each group, shape ``(groups,)``. ``cases``: cases of each group, shape ``(groups,)``;
    groups without a case carry no information.

    Source: Skellam 1948, J R Stat Soc B 10:257 (distribution).
    """
    x, n = adverse[cases > 0], cases[cases > 0]
    if n.size == 0:
        return BetaBinomialFit(mean=None, prior_cases=inf, log_likelihood=0.0)
    pooled = float(x.sum() / n.sum())
    alike = _log_binomial(x, n, pooled)
    if not 0.0 < pooled < 1.0:
        return BetaBinomialFit(mean=pooled, prior_cases=inf, log_likelihood=alike)
    mean, prior_cases, height = _climb(x, n, pooled)
    if height <= alike + 1e-7:
        return BetaBinomialFit(mean=pooled, prior_cases=inf, log_likelihood=alike)
    return BetaBinomialFit(mean=mean, prior_cases=prior_cases, log_likelihood=height)


def log_beta_binomial(x: FloatArray, n: FloatArray, a: FloatArray, b: FloatArray) -> FloatArray:
    """Log probability of x adverse of n when the rate is beta(a, b), without the binomial coefficient; broadcasts."""
    from scipy.special import betaln

    return np.asarray(betaln(a + x, b + n - x) - betaln(a, b))


def _log_ways(x: FloatArray, n: FloatArray) -> float:
    from scipy.special import gammaln

    return float(np.sum(gammaln(n + 1.0) - gammaln(x + 1.0) - gammaln(n - x + 1.0)))


def _log_binomial(x: FloatArray, n: FloatArray, p: float) -> float:
    from scipy.special import xlog1py, xlogy

    return _log_ways(x, n) + float(np.sum(xlogy(x, p) + xlog1py(n - x, -p)))


def _climb(x: FloatArray, n: FloatArray, pooled: float) -> tuple[float, float, float]:
    """The best mean, prior weight and height, from several starting weights because the ridge can be flat."""
    from scipy.optimize import minimize

    def downhill(at: FloatArray) -> tuple[float, FloatArray]:
        return _height_and_slope(at, x, n)

    starts = [np.array([log(pooled / (1.0 - pooled)), start]) for start in (0.0, 3.0, 7.0)]
    found = [
        minimize(
            downhill,
            start,
            method="L-BFGS-B",
            jac=True,
            bounds=[(-30.0, 30.0), _LOG_PRIOR_CASES],
            options={"ftol": 1e-15, "gtol": 1e-9},
        )
        for start in starts
    ]
    best = min(found, key=lambda end: float(end.fun))
    mean = 1.0 / (1.0 + float(np.exp(-best.x[0])))
    return mean, float(np.exp(best.x[1])), _log_ways(x, n) - float(best.fun)


def _height_and_slope(at: FloatArray, x: FloatArray, n: FloatArray) -> tuple[float, FloatArray]:
    """Minus the log likelihood without binomial coefficients, and its derivative by (log odds of mean, log weight)."""
    from scipy.special import digamma, expit

    mean, weight = float(expit(at[0])), float(np.exp(at[1]))
    a, b = mean * weight, float(expit(-at[0])) * weight
    height = float(np.sum(log_beta_binomial(x, n, np.array(a), np.array(b))))
    common = digamma(n + weight) - digamma(weight)
    by_a = float(np.sum(digamma(x + a) - digamma(a) - common))
    by_b = float(np.sum(digamma(n - x + b) - digamma(b) - common))
    turn = a * b / weight
    return -height, -np.array([turn * (by_a - by_b), a * by_a + b * by_b])
