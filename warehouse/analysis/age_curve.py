"""The share adverse as a smooth function of age at start, without bands.

A logistic model on a restricted cubic spline of age gives the curve; the same model with a straight line gives the
odds ratio per year; the likelihood ratio of the two tests whether the line will do. The curve describes cases as they
came: age goes with much else (growth stage, appliance), so a slope over age is not an effect of age alone.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, sqrt
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from warehouse.analysis.design import independent_columns
from warehouse.analysis.firth import firth_logistic
from warehouse.analysis.inputs import check_length, normal_p_value, z_value
from warehouse.analysis.penalised import Likelihood, Optimum, Profile, group_rows, maximise
from warehouse.analysis.spline import FloatArray, quantile_knots, restricted_cubic_spline
from warehouse.analysis.stratified import chi_squared_p
from warehouse.results import Caution, Estimate, Interval, no_estimate

SLOPE: Final = "odds ratio of going adverse per year of age"
_GRID_POINTS: Final = 61


@dataclass(frozen=True, slots=True, kw_only=True)
class AgeCurve:
    """A curve of shares over age with pointwise bands."""

    ages: tuple[float, ...] = ()  # Ages at which the curve is given, years; empty when no curve can be drawn
    shares: tuple[float, ...] = ()  # Fitted share adverse at each age
    low: tuple[float, ...] = ()  # Lower end of the pointwise interval at each age
    high: tuple[float, ...] = ()  # Upper end of the pointwise interval at each age
    level: float  # Coverage of the interval at one age (not of the band as a whole)
    knots: tuple[float, ...] = ()  # Where the spline bends, years; empty for a straight line on the log odds
    slope: Estimate  # Odds ratio per year in the straight-line model
    association_p_value: float | None = None  # Of no relation to age at all (`len(knots) - 1` df, or 1 for a line)
    # Of a straight line on the log odds (`len(knots) - 2` df); None for a line
    nonlinearity_p_value: float | None = None
    n: int  # Cases used
    n_events: int  # Adverse cases among them
    left_out: int  # Cases without an age or an outcome
    method: str  # The model and interval
    warnings: tuple[Caution, ...]  # Cautions, among them why there is no curve


def _complete(ages: ArrayLike, adverse: ArrayLike) -> tuple[FloatArray, FloatArray, int]:
    age, outcome = np.asarray(ages, dtype=np.float64), np.asarray(adverse, dtype=np.float64)
    check_length(outcome.size, age.size, what="the outcome column")
    kept = np.isfinite(age) & np.isfinite(outcome)
    return age[kept], outcome[kept], int((~kept).sum())


def _fit(design: FloatArray, outcome: FloatArray) -> tuple[Optimum, bool]:
    """The plain fit; or, where separation leaves it without a top, Firth's. The flag says whether it is plain."""
    rows = group_rows(design, outcome, np.ones(outcome.size))
    plain = maximise(Likelihood(rows, penalised=False), np.zeros(design.shape[1]), np.arange(design.shape[1]))
    return (plain, True) if plain.converged else (Profile(rows).best, False)


def _no_slope_reason(age: FloatArray, outcome: FloatArray) -> Caution | None:
    """Why no slope can be fitted; None when one can."""
    if age.size == 0:
        return Caution("no_data", "no_age_and_outcome")
    if outcome.min() == outcome.max():
        return Caution("no_data", "no_case_adverse" if outcome[0] == 0.0 else "every_case_adverse", {"n": age.size})
    if np.unique(age).size < 2:
        return Caution("no_data", "one_age_only")
    return None


def logistic_slope(ages: ArrayLike, adverse: ArrayLike, *, level: float = 0.95) -> Estimate:
    """Odds ratio of going adverse per year of age, from a straight line on the log odds.

    ``ages``: age at start in years, shape ``(n,)``. ``adverse``: 1 adverse, 0 not, missing where not assessable, shape
    ``(n,)``. Gives an estimate in the unit ``ratio`` with Wald interval and p value. When an age splits the outcomes
    exactly the plain model has no finite slope: Firth's, with its profile interval, stands in and a warning says so.
    With no case, one age or one outcome the value is None. Raises RequestError where the lengths differ.
    """
    z, (age, outcome, lost) = z_value(level), _complete(ages, adverse)
    left_out = {"age or outcome missing": lost} if lost else {}
    method = "logistic regression, Wald interval and test"
    reason = _no_slope_reason(age, outcome)
    if reason:
        return no_estimate(estimand=SLOPE, method=method, n=age.size, reason=reason, unit="ratio")
    fit, plain = _fit(_basis(age, ()), outcome)
    if not plain:
        return _firth_slope(age, outcome, level, left_out)
    value, error = float(fit.beta[1]), sqrt(float(np.linalg.inv(fit.information)[1, 1]))
    return Estimate(
        estimand=SLOPE,
        value=exp(value),
        interval=Interval(exp(value - z * error), exp(value + z * error), level),
        method=method,
        n=age.size,
        left_out=left_out,
        p_value=normal_p_value(value / error),
        unit="ratio",
        warnings=_few_events(outcome),
    )


def _firth_slope(age: FloatArray, outcome: FloatArray, level: float, left_out: dict[str, int]) -> Estimate:
    found = firth_logistic(age, outcome, names=["age"], level=level, profile=["age"]).term("age").odds_ratio
    return Estimate(
        estimand=SLOPE,
        value=found.value,
        interval=found.interval,
        method=found.method,
        n=found.n,
        left_out=left_out,
        p_value=found.p_value,
        unit="ratio",
        warnings=(Caution("separation", "age_splits_outcomes"), *found.warnings),
    )


def _fewer(outcome: FloatArray) -> int:
    events = int(outcome.sum())
    return min(events, outcome.size - events)


def _few_events(outcome: FloatArray) -> tuple[Caution, ...]:
    fewer = _fewer(outcome)
    if fewer >= 10:
        return ()
    return (Caution("small_sample", "few_rarer_outcomes", {"n": fewer}),)


def default_knots(n_rarer: int) -> int:
    """Knots the data can carry: 3 below 30 cases of the rarer outcome, 4 below 100, else 5.

    After Harrell, Regression Modeling Strategies, sec. 2.4.6, which counts cases; counting those of the rarer
    outcome instead, as sec. 4.4 does for parameters, is stricter (from memory).
    """
    if n_rarer < 30:
        return 3
    return 4 if n_rarer < 100 else 5


def _basis(age: FloatArray, knots: tuple[float, ...]) -> FloatArray:
    columns = restricted_cubic_spline(age, knots) if len(knots) >= 3 else age[:, None]
    return np.column_stack([np.ones(age.size), columns])


def _ratio_p(larger: Optimum, smaller: Optimum) -> float:
    """Likelihood-ratio p value of the smaller of two plain models."""
    df = larger.beta.size - smaller.beta.size
    return chi_squared_p(max(0.0, 2.0 * (larger.height - smaller.height)), df)


def _no_curve(age: FloatArray, outcome: FloatArray, lost: int, level: float, slope: Estimate) -> AgeCurve:
    return AgeCurve(
        level=level,
        slope=slope,
        n=age.size,
        n_events=int(outcome.sum()),
        left_out=lost,
        method="logistic regression",
        warnings=slope.warnings,
    )


def age_curve(
    ages: ArrayLike,
    adverse: ArrayLike,
    *,
    n_knots: int | None = None,
    at: Sequence[float] | None = None,
    level: float = 0.95,
) -> AgeCurve:
    """Share adverse against age by logistic regression on a restricted cubic spline.

    ``ages``: age at start in years, shape ``(n,)``. ``adverse``: 1 adverse, 0 not, missing where not assessable, shape
    ``(n,)``. ``n_knots``: 3 to 7 knots at Harrell's quantiles; None lets :func:`default_knots` choose. ``at``: ages to
    give the curve at; None is 61 even steps over the observed range. Ages outside it extrapolate. ``level``: coverage
    of the interval at each age. Gives the curve with bands from the covariance of the log odds. Where ties leave too
    few different ages or knots a line stands in. Separated data get Firth's fit and no tests. With no case, one age or
    one outcome there is no curve and a warning says why. Raises RequestError where the lengths differ or the number of
    knots is not offered.

    Source: Harrell 2015, Regression Modeling Strategies, 2nd ed., sec. 2.4 (from memory).
    """
    age, outcome, lost = _complete(ages, adverse)
    slope = logistic_slope(ages, adverse, level=level)
    if slope.value is None:
        return _no_curve(age, outcome, lost, level, slope)
    wanted = default_knots(_fewer(outcome)) if n_knots is None else n_knots
    knots = quantile_knots(age, wanted)
    if len(knots) < 3 or not independent_columns(_basis(age, knots)).all():  # or too few different ages to bend between
        knots = ()
    fit, plain = _fit(_basis(age, knots), outcome)
    flat, line = (_fit(_basis(age, ())[:, :width], outcome)[0] for width in (1, 2))
    grid = np.linspace(age.min(), age.max(), _GRID_POINTS) if at is None else np.asarray(at, dtype=np.float64)
    shares, low, high = _curve(fit, _basis(grid, knots), z_value(level))
    return AgeCurve(
        ages=tuple(grid.tolist()),
        shares=shares,
        low=low,
        high=high,
        level=level,
        knots=knots,
        slope=slope,
        association_p_value=_ratio_p(fit, flat) if plain else None,
        nonlinearity_p_value=_ratio_p(fit, line) if plain and knots else None,
        n=age.size,
        n_events=int(outcome.sum()),
        left_out=lost,
        method=_method(knots, plain=plain),
        warnings=_curve_cautions(outcome, wanted, knots, plain=plain),
    )


def _method(knots: tuple[float, ...], *, plain: bool) -> str:
    model = "logistic regression" if plain else "Firth's penalised logistic regression"
    return model + (" on a restricted cubic spline" if knots else "") + ", pointwise Wald interval"


def _curve(fit: Optimum, basis: FloatArray, z: float) -> tuple[tuple[float, ...], ...]:
    from scipy.special import expit

    centre = basis @ fit.beta
    half = z * np.sqrt(np.einsum("ij,jk,ik->i", basis, np.linalg.inv(fit.information), basis))
    shares, low, high = (tuple(expit(logit).tolist()) for logit in (centre, centre - half, centre + half))
    return shares, low, high


def _curve_cautions(outcome: FloatArray, wanted: int, knots: tuple[float, ...], *, plain: bool) -> tuple[Caution, ...]:
    found = list(_few_events(outcome))
    if not knots:
        found.append(Caution("approximation", "too_few_ages", {"knots": wanted}))
    if not plain:
        found.append(Caution("separation", "ages_separate"))
    return tuple(found)
