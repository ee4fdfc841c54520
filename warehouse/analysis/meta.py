"""Pooling the effects of several practices: fixed effect and random effects, with heterogeneity.

Estimand: the mean of the practices' true effects (random effects), or the one effect all are taken to share
(fixed effect), on the scale of the effects given. Nothing here says which practice is better.

``y_i ~ N(mu, v_i + tau2)``, weights ``w = 1 / (v + tau2)``, ``mu = sum w y / sum w``, ``se = 1 / sqrt(sum w)``.

Sources: Viechtbauer 2010, J Stat Softw 36(3); Hartung & Knapp 2001 and Sidik & Jonkman 2002 (HKSJ); Higgins,
Thompson & Spiegelhalter 2009 (prediction with t on k-2); Higgins & Thompson 2002 (I2, H2).
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from warehouse.analysis.meta_result import Heterogeneity, Pooled, PooledPractice
from warehouse.analysis.meta_tau2 import (
    generalised_q,
    tau2_dl,
    tau2_ml,
    tau2_pm,
    tau2_q_profile,
    tau2_reml,
    tau2_se_reml,
    typical_variance,
)
from warehouse.plural import number_of
from warehouse.results import Caution, Estimate, Interval, no_estimate

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray

    from warehouse.analysis.meta_effects import Effects

Method = Literal["fixed", "DL", "PM", "REML", "ML"]
IntervalMethod = Literal["wald", "hksj", "hksj_floor"]
Prediction = Literal["z", "t_k_minus_1", "t_k_minus_2"]

METHOD_NAMES: Mapping[str, str] = {
    "fixed": "fixed effect, inverse variance",
    "DL": "random effects, DerSimonian-Laird",
    "PM": "random effects, Paule-Mandel",
    "REML": "random effects, restricted maximum likelihood",
    "ML": "random effects, maximum likelihood",
}
INTERVAL_NAMES: Mapping[str, str] = {
    "wald": "Wald interval (normal)",
    "hksj": "Hartung-Knapp-Sidik-Jonkman interval (t on k-1)",
    "hksj_floor": "Hartung-Knapp-Sidik-Jonkman interval (t on k-1), never narrower than its usual variance",
}
PREDICTION_NAMES: Mapping[str, str] = {
    "z": "normal quantile",
    "t_k_minus_1": "t on k-1 degrees of freedom",
    "t_k_minus_2": "t on k-2 degrees of freedom (Higgins 2009)",
}
_TAU2: Mapping[str, Callable[[NDArray[np.float64], NDArray[np.float64]], float]] = {
    "DL": tau2_dl,
    "PM": tau2_pm,
    "REML": tau2_reml,
    "ML": tau2_ml,
}
_ESTIMANDS: Mapping[str, str] = {
    "logit": "share in the middle practice (log odds)",
    "log risk ratio": "risk ratio, first group over second (log)",
    "log odds ratio": "odds ratio, first group over second (log)",
    "mean": "mean over practices",
}


def pool(
    effects: Effects,
    *,
    method: Method = "REML",
    interval: IntervalMethod = "hksj",
    prediction: Prediction = "t_k_minus_1",
    level: float = 0.95,
) -> Pooled:
    """Pool the effects of ``k`` practices.

    ``effects``: from ``logit_effects``, ``ratio_effects`` or ``mean_effects``. ``method``: estimator of the
    between-practice variance; ``fixed`` sets it to zero. ``interval``: how the interval of the pooled effect is made.
    ``hksj`` uses ``se**2 = sum w (y - mu)**2 / ((k-1) sum w)`` and t on k-1; ``hksj_floor`` the larger of that and ``1
    / sum w``. ``prediction``: ``mu +- quantile * sqrt(tau2 + se**2)``; three conventions are in use, and the one chosen
    is named in the result. ``se`` is the one the interval uses. ``level``: nominal coverage of all intervals. With no
    practice: no value, and the reason in words. With one: its own effect, since a spread between practices cannot be
    seen. With two: no prediction by t on k-2.
    """
    name = METHOD_NAMES[method]
    if not effects.practices:
        return _nothing(effects, name)
    if len(effects.practices) == 1:
        return _alone(effects, level)
    y, v = effects.y, effects.v
    tau2 = 0.0 if method == "fixed" else _TAU2[method](y, v)
    w = 1 / (v + tau2)
    mu = float(np.sum(w * y) / np.sum(w))
    se = _standard_error(y, w, mu, interval)
    warnings = _cautions(effects, se, 1 / math.sqrt(float(np.sum(w))))
    ahead, ahead_name, ahead_caution = _predict(mu, se, tau2, y.size, prediction, level, method)
    low, high, p_value = _interval(mu, se, y.size, interval, level)
    return Pooled(
        estimate=Estimate(
            estimand=_ESTIMANDS[effects.scale],
            value=mu,
            interval=Interval(low, high, level),
            method=f"{name}; {INTERVAL_NAMES[interval]}",
            n=effects.n,
            left_out=effects.left_out,
            p_value=p_value,
            unit=effects.scale,
            warnings=warnings + ahead_caution,
        ),
        se=se,
        heterogeneity=_heterogeneity(y, v, tau2, method, level),
        prediction=ahead,
        prediction_method=ahead_name,
        practices=_lines(effects, w, level),
        scale=effects.scale,
    )


def _standard_error(y: NDArray[np.float64], w: NDArray[np.float64], mu: float, interval: IntervalMethod) -> float:
    total = float(np.sum(w))
    usual = 1 / total
    if interval == "wald":
        return math.sqrt(usual)
    adjusted = float(np.sum(w * (y - mu) ** 2)) / ((y.size - 1) * total)
    return math.sqrt(max(adjusted, usual) if interval == "hksj_floor" else adjusted)


def _interval(
    mu: float, se: float, k: int, interval: IntervalMethod, level: float
) -> tuple[float, float, float | None]:
    from scipy.stats import norm, t

    law = norm if interval == "wald" else t(k - 1)
    half = float(law.ppf(0.5 + level / 2)) * se
    p_value = 2 * float(law.sf(abs(mu) / se)) if se > 0 else None
    return mu - half, mu + half, p_value


def _predict(
    mu: float, se: float, tau2: float, k: int, prediction: Prediction, level: float, method: Method
) -> tuple[Interval | None, str, tuple[Caution, ...]]:
    from scipy.stats import norm, t

    if method == "fixed":
        return None, "none: a fixed effect leaves nothing for a further practice to differ by", ()
    df = k - 2 if prediction == "t_k_minus_2" else k - 1
    if df < 1:
        text = "Two practices are too few for a prediction interval with t on k-2 degrees of freedom."
        return None, PREDICTION_NAMES[prediction], (Caution("small_sample", text),)
    quantile = float(norm.ppf(0.5 + level / 2) if prediction == "z" else t.ppf(0.5 + level / 2, df))
    half = quantile * math.sqrt(tau2 + se**2)
    return Interval(mu - half, mu + half, level), PREDICTION_NAMES[prediction], ()


def _heterogeneity(
    y: NDArray[np.float64], v: NDArray[np.float64], tau2: float, method: Method, level: float
) -> Heterogeneity:
    from scipy.stats import chi2

    q, df = generalised_q(y, v, 0.0), y.size - 1
    if method == "fixed":
        i2, h2 = max(0.0, (q - df) / q) if q > 0 else 0.0, q / df
    else:
        i2, h2 = tau2 / (tau2 + typical_variance(v)), 1 + tau2 / typical_variance(v)
    return Heterogeneity(
        q=q,
        df=df,
        p_value=float(chi2.sf(q, df)),
        i2=i2,
        h2=h2,
        tau2=tau2,
        tau2_se=tau2_se_reml(v, tau2) if method == "REML" else None,
        tau2_interval=tau2_q_profile(y, v, level=level),
    )


def _lines(effects: Effects, w: NDArray[np.float64], level: float) -> tuple[PooledPractice, ...]:
    from scipy.stats import norm

    quantile = float(norm.ppf(0.5 + level / 2))
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
        text = f"Only {k} practices: how far practices differ is poorly known."
        found.append(Caution("small_sample", text))
    if se < usual:
        text = "The practices agree more closely than chance would have it; the interval may be too narrow."
        found.append(Caution("approximation", text))
    return tuple(found)


def _correction_caution(effects: Effects) -> list[Caution]:
    if not effects.corrected:
        return []
    text = (
        f"{number_of(effects.corrected, 'practice')} had a zero count and {effects.correction:g} was added to each of"
        " their counts; a model of the counts themselves needs no such addition."
    )
    return [Caution("approximation", text)]


def _alone(effects: Effects, level: float) -> Pooled:
    w = 1 / effects.v
    se = math.sqrt(float(effects.v[0]))
    low, high, p_value = _interval(float(effects.y[0]), se, 1, "wald", level)
    text = "One practice only: how far practices differ cannot be seen, so this is that practice's own figure."
    return Pooled(
        estimate=Estimate(
            estimand=_ESTIMANDS[effects.scale],
            value=float(effects.y[0]),
            interval=Interval(low, high, level),
            method=f"one practice; {INTERVAL_NAMES['wald']}",
            n=effects.n,
            left_out=effects.left_out,
            p_value=p_value,
            unit=effects.scale,
            warnings=(*_correction_caution(effects), Caution("small_sample", text)),
        ),
        se=se,
        heterogeneity=None,
        prediction=None,
        prediction_method="none: one practice only",
        practices=_lines(effects, w, level),
        scale=effects.scale,
    )


def _nothing(effects: Effects, name: str) -> Pooled:
    reason = "No practice has counts that carry information, so there is nothing to pool."
    estimate = no_estimate(estimand=_ESTIMANDS[effects.scale], method=name, n=0, reason=reason, unit=effects.scale)
    return Pooled(
        estimate=replace(estimate, left_out=effects.left_out),
        se=None,
        heterogeneity=None,
        prediction=None,
        prediction_method="none: no practice",
        practices=(),
        scale=effects.scale,
    )
