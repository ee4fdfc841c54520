"""Firth's penalised logistic regression: finite, nearly unbiased log odds when adverse cases are few.

The estimand of each term is the log odds ratio of going adverse per unit of that covariate, the others held alike.
Adding half the log determinant of the information to the log-likelihood takes out the first-order bias and keeps
every coefficient finite under separation. Intervals follow the profile of the penalised likelihood, p values its
ratio, in which the null keeps the information of the full design (the other way inflates the statistic).
Source: Firth 1993, Biometrika 80:27; Heinze & Schemper 2002, Stat Med 21:2409.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, inf, isfinite
from typing import TYPE_CHECKING, Final

import numpy as np
import polars as pl

from warehouse.analysis.design import independent_columns
from warehouse.analysis.firth_profile import Profile
from warehouse.analysis.inputs import check_length, check_method, normal_p_value, z_value
from warehouse.analysis.penalised import group_rows
from warehouse.analysis.stratified import chi_squared_p
from warehouse.errors import RequestError, near_names
from warehouse.results import Caution, Estimate, Interval, no_estimate

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]
    from collections.abc import Mapping


@dataclass(frozen=True, slots=True, kw_only=True)
class FirthTerm:
    """One coefficient."""

    name: str  # The covariate, or `intercept`
    log_odds: Estimate  # The coefficient with its profile interval and likelihood-ratio p value; unit `log odds`
    odds_ratio: Estimate  # The same, exponentiated; unit `ratio`
    standard_error: float | None  # From the inverse Fisher information at the estimate; None if there is no estimate
    standard_error_augmented: float | None  # From the information with the pseudo-cases added, as some programs print


@dataclass(frozen=True, slots=True, kw_only=True)
class FirthFit:
    """A fitted model."""

    terms: tuple[FirthTerm, ...]  # The intercept, then the covariates in the order given
    penalised_log_likelihood: float | None = None  # At the estimate; None if nothing could be fitted
    null_log_likelihood: float | None = None  # With every slope at 0, the penalty still that of the full design
    statistic: float | None = None  # Likelihood ratio of the two, on `df` degrees of freedom
    df: int = 0  # Slopes that could be estimated
    p_value: float | None = None  # Of the hypothesis that every slope is 0
    n: int = 0  # Cases used
    n_events: int = 0  # Adverse cases among them
    left_out: Mapping[str, int]  # Reason -> cases not used
    covariance: tuple[tuple[float, ...], ...] = ()  # Inverse Fisher information of the estimable terms, in their order
    converged: bool  # Whether the fit did
    warnings: tuple[Caution, ...]  # Cautions about the model as a whole

    def term(self, name: str) -> FirthTerm:
        """The term called ``name``.

        Raises RequestError where there is none.
        """
        names = [term.name for term in self.terms]
        if name not in names:
            raise RequestError(
                f"the model has no term {name!r}",
                expected="one of " + ", ".join(names),
                remedy=near_names(name, names),
            )
        return self.terms[names.index(name)]


INTERCEPT: Final = "intercept"


PROFILED: Final = "Firth's penalised logistic regression, profile likelihood interval and likelihood-ratio test"


WALD: Final = "Firth's penalised logistic regression, Wald interval and test"


@dataclass(frozen=True, slots=True, eq=False)
class _Cases:
    """Complete cases: design with intercept ``(n, p)``, events and trials ``(n,)``, and who was left out."""

    names: tuple[str, ...]
    design: Floats
    events: Floats
    trials: Floats
    left_out: dict[str, int]

    @property
    def n(self) -> int:
        return round(float(self.trials.sum()))

    @property
    def n_events(self) -> int:
        return round(float(self.events.sum()))


def _as_matrix(covariates: ArrayLike | pl.DataFrame) -> Floats:
    if isinstance(covariates, pl.DataFrame):
        columns = [series.cast(pl.Float64).to_numpy() for series in covariates]
        return np.column_stack(columns) if columns else np.empty((covariates.height, 0))
    matrix = np.asarray(covariates, dtype=np.float64)
    return matrix.reshape(-1, 1) if matrix.ndim == 1 else matrix


def _names_of(covariates: ArrayLike | pl.DataFrame, names: Sequence[str] | None, width: int) -> tuple[str, ...]:
    if names is None:
        names = covariates.columns if isinstance(covariates, pl.DataFrame) else [f"x{j + 1}" for j in range(width)]
    check_length(len(names), width, what="the list of covariate names")
    return (INTERCEPT, *names)


def _check_outcome(adverse: Floats, counts: Floats) -> None:
    known = adverse[np.isfinite(adverse)]
    if known.size and (known.min() < 0.0 or known.max() > 1.0):
        found = f"an outcome of {known.min():g} to {known.max():g}"
        raise RequestError(found, expected="1 for adverse, 0 for not adverse, nothing for not assessable")
    if counts.size and not (np.isfinite(counts).all() and counts.min() >= 0.0):
        found = "a count of cases that is negative or missing"
        raise RequestError(found, expected="a whole number of cases for every row")


def _complete(names: tuple[str, ...], covariates: Floats, adverse: Floats, counts: Floats) -> _Cases:
    no_outcome = ~np.isfinite(adverse)
    no_covariate = ~no_outcome & ~np.isfinite(covariates).all(axis=1)
    reasons = {"outcome missing": no_outcome, "covariate missing": no_covariate}
    lost = {reason: round(float(counts[rows].sum())) for reason, rows in reasons.items() if rows.any()}
    kept = ~(no_outcome | no_covariate) & (counts > 0.0)
    design = np.column_stack([np.ones(int(kept.sum())), covariates[kept]])
    return _Cases(names, design, adverse[kept] * counts[kept], counts[kept], lost)


def _exp(value: float) -> float:
    return exp(value) if value < 700.0 else inf


def _stated(
    cases: _Cases, name: str, value: float, interval: Interval, p_value: float, method: str
) -> tuple[Estimate, Estimate]:
    """The coefficient and its exponential as estimates."""
    cautions: tuple[Caution, ...] = ()
    if not (isfinite(interval.low) and isfinite(interval.high)):
        cautions = (Caution("convergence", "The search for a limit of this interval did not end: read it as open."),)
    others = tuple(n for n in cases.names[1:] if n != name)
    log_odds = Estimate(
        estimand=f"log odds of going adverse, {name}",
        value=value,
        interval=interval,
        method=method,
        n=cases.n,
        left_out=cases.left_out,
        p_value=p_value,
        unit="log odds",
        adjusted_for=others,
        warnings=cautions,
    )
    ratio = Estimate(
        estimand=f"odds of going adverse, {name}" if name == INTERCEPT else f"odds ratio of going adverse, {name}",
        value=_exp(value),
        interval=Interval(_exp(interval.low), _exp(interval.high), interval.level),
        method=method,
        n=cases.n,
        left_out=cases.left_out,
        p_value=p_value,
        unit="ratio",
        adjusted_for=others,
        warnings=cautions,
    )
    return log_odds, ratio


def _absent_term(cases: _Cases, name: str, reason: str) -> FirthTerm:
    odds = no_estimate(estimand=f"log odds of going adverse, {name}", method=PROFILED, n=cases.n, reason=reason)
    ratio = no_estimate(
        estimand=f"odds ratio of going adverse, {name}", method=PROFILED, n=cases.n, reason=reason, unit="ratio"
    )
    return FirthTerm(name=name, log_odds=odds, odds_ratio=ratio, standard_error=None, standard_error_augmented=None)


def _term(
    cases: _Cases, profile: Profile, j: int, name: str, level: float, *, augmented: float, profiled: bool
) -> FirthTerm:
    value, error, z = float(profile.best.beta[j]), profile.error(j), z_value(level)
    if profiled:
        interval = Interval(profile.limit(j, z, -1.0), profile.limit(j, z, 1.0), level)
        p_value = normal_p_value(profile.root_drop(profile.at(j, 0.0, profile.best)))
    else:
        interval = Interval(value - z * error, value + z * error, level)
        p_value = normal_p_value(value / error)
    log_odds, ratio = _stated(cases, name, value, interval, p_value, PROFILED if profiled else WALD)
    return FirthTerm(
        name=name,
        log_odds=log_odds,
        odds_ratio=ratio,
        standard_error=error,
        standard_error_augmented=augmented,
    )


def _cautions(cases: _Cases, profile: Profile, aliased: Sequence[str]) -> tuple[Caution, ...]:
    found = []
    if aliased:
        text = f"Not estimable, because constant or a combination of the others: {', '.join(aliased)}."
        found.append(Caution("positivity", text))
    if cases.n_events in {0, cases.n}:
        text = "All cases ended alike, so the coefficients come from the penalty alone."
        found.append(Caution("separation", text))
    elif profile.separated:
        text = "Some combination of the covariates tells the outcomes apart exactly; only the penalty keeps it finite."
        found.append(Caution("separation", text))
    if not profile.best.converged:
        found.append(Caution("convergence", "The fit did not settle: do not rely on these numbers."))
    return tuple(found)


def _nothing(cases: _Cases) -> FirthFit:
    reason = "No case has an outcome and every covariate, so nothing can be fitted."
    return FirthFit(
        terms=tuple(_absent_term(cases, name, reason) for name in cases.names),
        left_out=cases.left_out,
        converged=False,
        warnings=(Caution("no_data", reason),),
    )


def _fit(cases: _Cases, level: float, profiled: frozenset[str]) -> FirthFit:
    estimable = np.flatnonzero(independent_columns(cases.design))
    profile = Profile(group_rows(cases.design[:, estimable], cases.events, cases.trials))
    augmented = profile.augmented_errors()
    null = profile.null()
    place = {int(column): j for j, column in enumerate(estimable)}
    absent = "Constant, or a combination of the other covariates, among these cases."
    terms = [
        _term(cases, profile, place[k], name, level, augmented=float(augmented[place[k]]), profiled=name in profiled)
        if k in place
        else _absent_term(cases, name, absent)
        for k, name in enumerate(cases.names)
    ]
    statistic, df = max(0.0, 2.0 * (profile.best.height - null.height)), len(place) - 1
    return FirthFit(
        terms=tuple(terms),
        penalised_log_likelihood=profile.best.height,
        null_log_likelihood=null.height,
        statistic=statistic,
        df=df,
        p_value=chi_squared_p(statistic, df),
        n=cases.n,
        n_events=cases.n_events,
        left_out=cases.left_out,
        covariance=tuple(tuple(row) for row in profile.covariance.tolist()),
        converged=profile.best.converged,
        warnings=_cautions(cases, profile, [n for k, n in enumerate(cases.names) if k not in place]),
    )


def firth_logistic(
    covariates: ArrayLike | pl.DataFrame,
    adverse: ArrayLike,
    *,
    names: Sequence[str] | None = None,
    counts: ArrayLike | None = None,
    level: float = 0.95,
    profile: Sequence[str] | None = None,
) -> FirthFit:
    """Fit ``logit P(adverse) = intercept + covariates @ slopes`` by Firth's method.

    ``covariates``: shape ``(n, p)`` numbers, or a frame of numeric columns; no intercept column. ``adverse``: shape
    ``(n,)``: 1 adverse, 0 not; missing where not assessable. ``names``: names of the covariates; a frame brings its
    own. ``counts``: shape ``(n,)`` whole numbers, how many cases each row stands for; a count of 2 equals two rows.
    ``level``: nominal coverage of the intervals. ``profile``: terms to give profile intervals and likelihood-ratio p
    values; the others get Wald ones, which take no further fits. None profiles every term. Gives the fit. Rows with a
    missing outcome or covariate are left out and counted. A covariate that is constant or a combination of the others
    has no estimate and says so. With all cases alike, or separated data, the estimates are finite and a warning says
    what holds them. With no usable case every value is None. Raises RequestError where lengths differ, an outcome lies
    outside 0 to 1, a count is negative, a name in ``profile`` does not exist, or the level is impossible.
    """
    z_value(level)
    matrix = _as_matrix(covariates)
    outcome = np.asarray(adverse, dtype=np.float64)
    weights = np.ones(outcome.size) if counts is None else np.asarray(counts, dtype=np.float64)
    check_length(outcome.size, matrix.shape[0], what="the outcome column")
    check_length(weights.size, matrix.shape[0], what="the column of counts")
    _check_outcome(outcome, weights)
    cases = _complete(_names_of(covariates, names, matrix.shape[1]), matrix, outcome, weights)
    for name in profile or ():
        check_method(name, cases.names)
    if cases.n == 0:
        return _nothing(cases)
    return _fit(cases, level, frozenset(cases.names if profile is None else profile))


def firth_coefficients(design: Floats, adverse: Floats) -> tuple[Floats, Floats]:
    """Coefficients ``(p,)`` and covariance ``(p, p)`` for a design that has its own intercept column.

    For callers whose plain fit met separation; columns must not depend on each other.
    """
    fitted = Profile(group_rows(design, adverse, np.ones(adverse.size)))
    return fitted.best.beta, fitted.covariance
