"""Pooling the effects of several practices: random effects, with heterogeneity.

Estimand: the mean of the practices' true effects, on the scale of the effects given. Nothing here says which practice
is better.

``y_i ~ N(mu, v_i + tau2)``, weights ``w = 1 / (v + tau2)``, ``mu = sum w y / sum w``, ``se = 1 / sqrt(sum w)``.

Sources: Viechtbauer 2010, J Stat Softw 36(3); Hartung & Knapp 2001 and Sidik & Jonkman 2002 (HKSJ); Higgins,
Thompson & Spiegelhalter 2009 (prediction); Higgins & Thompson 2002 (I2).
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from warehouse.analysis.meta_effects import Effects, Scale
from warehouse.analysis.roots import crossing
from warehouse.analysis.spline import FloatArray
from warehouse.results import Caution, Estimate, Interval, no_estimate


@dataclass(frozen=True, slots=True)
class PooledPractice:
    """One line of a forest picture: effect, its own Wald interval and its share of the weight."""

    label: str
    y: float
    interval: Interval
    weight: float
    n: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Heterogeneity:
    """How far practices differ beyond chance."""

    q: float  # Cochran's Q, with `df` and `p_value` (chi-squared)
    df: int
    p_value: float
    i2: float  # Share of the total variance that lies between practices, 0 to 1
    tau2: float  # Between-practice variance on the scale of the effects
    tau2_interval: Interval  # Its Q-profile interval


@dataclass(frozen=True, slots=True, kw_only=True)
class Pooled:
    """A pooled effect."""

    estimate: Estimate  # On the scale of the effects (log or logit where that is the scale)
    se: float | None = None  # Standard error that the interval uses, or None
    heterogeneity: Heterogeneity | None = None  # None with fewer than two practices
    practices: tuple[PooledPractice, ...] = ()  # In the order given
    effects: Effects  # What was pooled

    @property
    def prediction(self) -> Interval | None:
        """Interval for the true effect of a further practice, drawn when asked for; None with fewer than two."""
        found, interval = self.effects, self.estimate.interval
        return _drawn(found.y, found.v, interval.level) if interval and len(found.practices) > 1 else None

    def natural(self) -> Estimate:
        """The estimate taken back to a share, a ratio or (unchanged) a mean."""
        units, scale = {"logit": "proportion", "mean": "mean"}, self.effects.scale
        value = self.estimate.value
        return replace(
            self.estimate,
            estimand=self.estimate.estimand.replace(" (log odds)", "").replace(" (log)", ""),
            value=None if value is None else back(value, scale),
            interval=back_interval(self.estimate.interval, scale),
            unit=units.get(scale, "ratio"),
        )


def back(value: float, scale: Scale) -> float:
    """A value on ``scale`` taken back: ``expit`` for a logit, ``exp`` for a log ratio, itself for a mean."""
    if scale == "mean":
        return value
    if scale == "logit":
        return 1 / (1 + math.exp(-value)) if value >= 0 else math.exp(value) / (1 + math.exp(value))
    return math.exp(value)


def back_interval(interval: Interval | None, scale: Scale) -> Interval | None:
    """Both ends of an interval taken back; None stays None."""
    if interval is None:
        return None
    return Interval(back(interval.low, scale), back(interval.high, scale), interval.level)


_SEED, _DRAWS = 20_190_301, 20_000  # the same draws every time, so that the same practices give the same interval
_METHOD = "random effects, restricted maximum likelihood"
METHOD = f"{_METHOD}; Hartung-Knapp-Sidik-Jonkman interval (t on k-1)"
_ESTIMANDS: Mapping[str, str] = {
    "logit": "share in the middle practice (log odds)",
    "log risk ratio": "risk ratio, first group over second (log)",
    "mean": "mean over practices",
}


def pool(effects: Effects, *, level: float = 0.95) -> Pooled:
    """Pool the effects of ``k`` practices.

    tau2 by restricted maximum likelihood; the interval is HKSJ's: ``se**2 = sum w (y - mu)**2 / ((k-1) sum w)`` and t
    on k-1. The prediction also allows for what few practices leave open of tau2, on which the usual ``mu +- t(k-1) *
    sqrt(tau2 + se**2)`` holds too seldom: tau2 is drawn from its Q-profile confidence distribution, then the mean, then
    the further practice (after Nagashima, Noma & Furukawa 2019, Stat Methods Med Res 28:1689; from memory, there with
    another estimator). With no practice: no value, and the reason in words. With one: its own effect, since a spread
    between practices cannot be seen.
    """
    if not effects.practices:
        return _nothing(effects)
    if len(effects.practices) == 1:
        return _alone(effects, level)
    from scipy.special import stdtr, stdtrit

    y, v = effects.y, effects.v
    tau2 = tau2_reml(y, v)
    w = 1 / (v + tau2)
    total = float(np.sum(w))
    mu = float(np.sum(w * y)) / total
    se = math.sqrt(float(np.sum(w * (y - mu) ** 2)) / ((y.size - 1) * total))
    half = float(stdtrit(y.size - 1, 0.5 + level / 2)) * se
    return Pooled(
        estimate=Estimate(
            estimand=_ESTIMANDS[effects.scale],
            value=mu,
            interval=Interval(mu - half, mu + half, level),
            method=METHOD,
            n=effects.n,
            left_out=effects.left_out,
            p_value=2 * float(stdtr(y.size - 1, -abs(mu) / se)) if se > 0 else None,
            unit=effects.scale,
            warnings=_cautions(effects, se, 1 / math.sqrt(total)),
        ),
        se=se,
        heterogeneity=_heterogeneity(y, v, tau2, level),
        practices=_lines(effects, w, level),
        effects=effects,
    )


def _drawn(y: NDArray[np.float64], v: NDArray[np.float64], level: float) -> Interval:
    """Quantiles of a further practice's effect, by draws from a fixed seed."""
    rng, k = np.random.default_rng(_SEED), y.size
    top = 50.0 * float(np.var(y) + np.max(v))
    grid = np.concatenate([[0.0], np.geomspace(1e-6 * top, top, 400)])
    w = 1.0 / (v + grid[:, None])
    mu = (w * y).sum(axis=1) / w.sum(axis=1)
    q = (w * (y - mu[:, None]) ** 2).sum(axis=1)
    tau2 = np.interp(rng.chisquare(k - 1, _DRAWS), q[::-1], grid[::-1])  # Q falls with tau2; beyond its top tau2 is 0
    w = 1.0 / (v + tau2[:, None])
    total = w.sum(axis=1)
    mu = (w * y).sum(axis=1) / total
    se = np.sqrt((w * (y - mu[:, None]) ** 2).sum(axis=1) / ((k - 1) * total))
    ahead = mu + rng.standard_t(k - 1, _DRAWS) * se + rng.standard_normal(_DRAWS) * np.sqrt(tau2)
    low, high = np.quantile(ahead, [(1.0 - level) / 2.0, (1.0 + level) / 2.0])
    return Interval(float(low), float(high), level)


def _heterogeneity(y: NDArray[np.float64], v: NDArray[np.float64], tau2: float, level: float) -> Heterogeneity:
    from scipy.special import chdtrc

    q, df = generalised_q(y, v, 0.0), y.size - 1
    return Heterogeneity(
        q=q,
        df=df,
        p_value=float(chdtrc(df, q)),
        i2=tau2 / (tau2 + typical_variance(v)),
        tau2=tau2,
        tau2_interval=tau2_q_profile(y, v, level=level),
    )


def _lines(effects: Effects, w: NDArray[np.float64], level: float) -> tuple[PooledPractice, ...]:
    from scipy.special import ndtri

    quantile = float(ndtri(0.5 + level / 2))
    shares = w / np.sum(w)
    return tuple(
        PooledPractice(
            one.label,
            one.y,
            Interval(one.y - quantile * math.sqrt(one.v), one.y + quantile * math.sqrt(one.v), level),
            float(share),
            one.n,
        )
        for one, share in zip(effects.practices, shares, strict=True)
    )


def _cautions(effects: Effects, se: float, usual: float) -> tuple[Caution, ...]:
    found = _correction_caution(effects)
    k = len(effects.practices)
    if k < 5:
        found.append(Caution("small_sample", "few_practices", {"n": k}))
    if se < usual:
        found.append(Caution("approximation", "agree_more_than_chance"))
    return tuple(found)


def _correction_caution(effects: Effects) -> list[Caution]:
    if not effects.corrected:
        return []
    return [
        Caution("approximation", "zero_counts_corrected", {"n": effects.corrected, "correction": effects.correction})
    ]


def _alone(effects: Effects, level: float) -> Pooled:
    from scipy.special import ndtr

    se = math.sqrt(float(effects.v[0]))
    (line,) = _lines(effects, 1 / effects.v, level)
    return Pooled(
        estimate=Estimate(
            estimand=_ESTIMANDS[effects.scale],
            value=line.y,
            interval=line.interval,
            method="one practice; Wald interval (normal)",
            n=effects.n,
            left_out=effects.left_out,
            p_value=2 * float(ndtr(-abs(line.y) / se)) if se > 0 else None,
            unit=effects.scale,
            warnings=(*_correction_caution(effects), Caution("small_sample", "one_practice_only")),
        ),
        se=se,
        practices=(line,),
        effects=effects,
    )


def _nothing(effects: Effects) -> Pooled:
    reason = Caution("no_data", "no_practice_informative")
    estimate = no_estimate(estimand=_ESTIMANDS[effects.scale], method=_METHOD, n=0, reason=reason, unit=effects.scale)
    return Pooled(estimate=replace(estimate, left_out=effects.left_out), effects=effects)


def generalised_q(y: FloatArray, v: FloatArray, tau2: float) -> float:
    """``sum w (y - mu)**2`` with ``w = 1 / (v + tau2)``; Cochran's Q at ``tau2 = 0``."""
    w = 1 / (v + tau2)
    return float(np.sum(w * (y - np.sum(w * y) / np.sum(w)) ** 2))


def typical_variance(v: FloatArray) -> float:
    """Higgins and Thompson's "typical" sampling variance: ``(k-1) sum w / ((sum w)**2 - sum w**2)``."""
    w = 1 / v
    return float((v.size - 1) * np.sum(w) / (np.sum(w) ** 2 - np.sum(w**2)))


def tau2_reml(y: FloatArray, v: FloatArray) -> float:
    """Restricted maximum likelihood; the highest point of the restricted likelihood, not just a root."""
    return _highest(lambda tau2: restricted_log_likelihood(y, v, tau2), y, v)


def restricted_log_likelihood(y: FloatArray, v: FloatArray, tau2: float) -> float:
    """Restricted log-likelihood without its constants."""
    plain = -0.5 * (float(np.sum(np.log(v + tau2))) + generalised_q(y, v, tau2))
    return plain - 0.5 * math.log(float(np.sum(1 / (v + tau2))))


def tau2_q_profile(y: FloatArray, v: FloatArray, *, level: float = 0.95) -> Interval:
    """Q-profile interval: all values not rejected by the generalised Q (Viechtbauer 2007).

    An end that would be negative is zero; both ends are zero when the effects lie closer together than chance
    alone would put them.
    """
    from scipy.special import chdtri

    tail = (1 - level) / 2
    df = y.size - 1
    low, high = (_q_equals(y, v, float(chdtri(df, p))) for p in (tail, 1 - tail))
    return Interval(low, high, level)


def _q_equals(y: FloatArray, v: FloatArray, goal: float) -> float:
    """The tau squared at which the generalised Q, which only falls, equals ``goal``; zero if already below."""
    if generalised_q(y, v, 0.0) <= goal:
        return 0.0
    high = float(np.var(y) + np.max(v))
    while generalised_q(y, v, high) > goal:
        high *= 2
    return crossing(lambda tau2: generalised_q(y, v, tau2) - goal, 0.0, high, within=1e-14, share=1e-14)


def _highest(height: Callable[[float], float], y: FloatArray, v: FloatArray) -> float:
    """The highest point of a likelihood in tau squared: a coarse grid first, since it can have two humps."""
    from scipy.optimize import minimize_scalar

    top = 20 * float(np.var(y) + np.max(v))
    grid = np.concatenate([[0.0], np.geomspace(1e-6 * top, top, 80)])
    best = int(np.argmax([height(float(tau2)) for tau2 in grid]))
    low, high = float(grid[max(0, best - 1)]), float(grid[min(best + 1, grid.size - 1)])
    found = minimize_scalar(
        lambda tau2: -height(tau2), bounds=(low, high), method="bounded", options={"xatol": 1e-12 * (1 + high)}
    )
    return float(found.x) if height(float(found.x)) > height(0.0) else 0.0
