"""Firth's penalised logistic regression: finite, nearly unbiased log odds when adverse cases are few.

The estimand of each term is the log odds ratio of going adverse per unit of that covariate, the others held alike.
Adding half the log determinant of the information to the log-likelihood takes out the first-order bias and keeps
every coefficient finite under separation. Intervals follow the profile of the penalised likelihood, p values its
ratio, in which the null keeps the information of the full design (the other way inflates the statistic).
Source: Firth 1993, Biometrika 80:27; Heinze & Schemper 2002, Stat Med 21:2409.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import isfinite
from typing import Final

import numpy as np
import polars as pl
from numpy.typing import ArrayLike

from warehouse.analysis.design import independent_columns
from warehouse.analysis.inputs import check_length, check_method, exp_or_infinite, normal_p_value, z_value
from warehouse.analysis.penalised import Profile, group_rows
from warehouse.analysis.spline import FloatArray
from warehouse.errors import RequestError, near_names
from warehouse.results import Caution, Estimate, Interval, no_estimate

INTERCEPT: Final = "intercept"
PROFILED: Final = "Firth's penalised logistic regression, profile likelihood interval and likelihood-ratio test"
WALD: Final = "Firth's penalised logistic regression, Wald interval and test"


@dataclass(frozen=True, slots=True, kw_only=True)
class FirthTerm:
    """One coefficient."""

    name: str  # The covariate, or `intercept`
    log_odds: Estimate  # The coefficient with its profile interval and likelihood-ratio p value; unit `log odds`
    odds_ratio: Estimate  # The same, exponentiated; unit `ratio`
    standard_error: float | None = None  # From the inverse Fisher information at the estimate; None without estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class FirthFit:
    """A fitted model."""

    terms: tuple[FirthTerm, ...]  # The intercept, then the covariates in the order given
    penalised_log_likelihood: float | None = None  # At the estimate; None if nothing could be fitted
    n: int = 0  # Cases used
    n_events: int = 0  # Adverse cases among them
    left_out: Mapping[str, int]  # Reason -> cases not used
    converged: bool = False  # Whether the fit did
    warnings: tuple[Caution, ...]  # Cautions about the model as a whole

    def term(self, name: str) -> FirthTerm:
        """The term called ``name``; RequestError where there is none."""
        names = [term.name for term in self.terms]
        if name not in names:
            raise RequestError(
                f"the model has no term {name!r}", expected="one of " + ", ".join(names), remedy=near_names(name, names)
            )
        return self.terms[names.index(name)]


@dataclass(frozen=True, slots=True, eq=False)
class _Cases:
    """Complete cases: design with intercept ``(n, p)``, outcome ``(n,)``, and who was left out."""

    names: tuple[str, ...]
    design: FloatArray
    adverse: FloatArray
    left_out: dict[str, int]

    @property
    def n(self) -> int:
        return int(self.adverse.size)


def firth_logistic(
    covariates: ArrayLike | pl.DataFrame,
    adverse: ArrayLike,
    *,
    names: Sequence[str] | None = None,
    level: float = 0.95,
    profile: Sequence[str] | None = None,
) -> FirthFit:
    """Fit ``logit P(adverse) = intercept + covariates @ slopes`` by Firth's method.

    ``covariates``: shape ``(n, p)`` numbers, or a frame of numeric columns, which brings its ``names``; no intercept
    column. ``adverse``: shape ``(n,)``: 1 adverse, 0 not; missing where not assessable. ``profile``: terms to give
    profile intervals and likelihood-ratio p values, None for all; the others get Wald ones, which take no further fits.
    Rows with a missing outcome or covariate are left out and counted. A covariate that is constant or a combination of
    the others has no estimate and says so. With all cases alike, or separated data, the estimates are finite and a
    warning says what holds them. With no usable case every value is None. Raises RequestError where lengths differ, an
    outcome lies outside 0 to 1, a name in ``profile`` does not exist, or the level is impossible.
    """
    z_value(level)
    matrix = _as_matrix(covariates)
    outcome = np.asarray(adverse, dtype=np.float64)
    check_length(outcome.size, matrix.shape[0], what="the outcome column")
    if names is None:
        columns = covariates.columns if isinstance(covariates, pl.DataFrame) else ()
        names = columns or [f"x{j + 1}" for j in range(matrix.shape[1])]
    check_length(len(names), matrix.shape[1], what="the list of covariate names")
    cases = _complete((INTERCEPT, *names), matrix, outcome)
    for name in profile or ():
        check_method(name, cases.names)
    if cases.n == 0:
        reason = Caution("no_data", "none_with_covariates")
        terms = tuple(_absent_term(cases, name, reason) for name in cases.names)
        return FirthFit(terms=terms, left_out=cases.left_out, warnings=(reason,))
    return _fit(cases, level, frozenset(cases.names if profile is None else profile))


def _as_matrix(covariates: ArrayLike | pl.DataFrame) -> FloatArray:
    if isinstance(covariates, pl.DataFrame):
        columns = [series.cast(pl.Float64).to_numpy() for series in covariates]
        return np.column_stack(columns) if columns else np.empty((covariates.height, 0))
    matrix = np.asarray(covariates, dtype=np.float64)
    return matrix.reshape(-1, 1) if matrix.ndim == 1 else matrix


def _complete(names: tuple[str, ...], covariates: FloatArray, adverse: FloatArray) -> _Cases:
    no_outcome = ~np.isfinite(adverse)
    known = adverse[~no_outcome]
    if known.size and (known.min() < 0.0 or known.max() > 1.0):
        found = f"an outcome of {known.min():g} to {known.max():g}"
        raise RequestError(found, expected="1 for adverse, 0 for not adverse, nothing for not assessable")
    no_covariate = ~no_outcome & ~np.isfinite(covariates).all(axis=1)
    reasons = {"outcome missing": no_outcome, "covariate missing": no_covariate}
    kept = ~(no_outcome | no_covariate)
    design = np.column_stack([np.ones(int(kept.sum())), covariates[kept]])
    lost = {reason: int(rows.sum()) for reason, rows in reasons.items() if rows.any()}
    return _Cases(names, design, adverse[kept], lost)


def _fit(cases: _Cases, level: float, profiled: frozenset[str]) -> FirthFit:
    estimable = np.flatnonzero(independent_columns(cases.design))
    profile = Profile(group_rows(cases.design[:, estimable], cases.adverse, np.ones(cases.n)))
    place = {cases.names[int(column)]: j for j, column in enumerate(estimable)}
    absent = Caution("no_data", "term_not_estimable")
    return FirthFit(
        terms=tuple(
            _term(cases, profile, place[name], name, level, profiled=name in profiled)
            if name in place
            else _absent_term(cases, name, absent)
            for name in cases.names
        ),
        penalised_log_likelihood=profile.best.height,
        n=cases.n,
        n_events=round(float(cases.adverse.sum())),
        left_out=cases.left_out,
        converged=profile.best.converged,
        warnings=_cautions(cases, profile, [name for name in cases.names if name not in place]),
    )


def _term(cases: _Cases, profile: Profile, j: int, name: str, level: float, *, profiled: bool) -> FirthTerm:
    value, error, z = float(profile.best.beta[j]), profile.error(j), z_value(level)
    if profiled:
        interval = Interval(profile.limit(j, z, -1.0), profile.limit(j, z, 1.0), level)
        p_value = normal_p_value(profile.root_drop(profile.at(j, 0.0, profile.best)))
    else:
        interval = Interval(value - z * error, value + z * error, level)
        p_value = normal_p_value(value / error)
    cautions: tuple[Caution, ...] = ()
    if not (isfinite(interval.low) and isfinite(interval.high)):
        cautions = (Caution("convergence", "limit_not_found"),)
    log_odds = Estimate(
        estimand=f"log odds of going adverse, {name}",
        value=value,
        interval=interval,
        method=PROFILED if profiled else WALD,
        n=cases.n,
        left_out=cases.left_out,
        p_value=p_value,
        unit="log odds",
        adjusted_for=tuple(n for n in cases.names[1:] if n != name),
        warnings=cautions,
    )
    ratio = replace(
        log_odds,
        estimand=f"odds of going adverse, {name}" if name == INTERCEPT else f"odds ratio of going adverse, {name}",
        value=exp_or_infinite(value),
        interval=Interval(exp_or_infinite(interval.low), exp_or_infinite(interval.high), level),
        unit="ratio",
    )
    return FirthTerm(name=name, log_odds=log_odds, odds_ratio=ratio, standard_error=error)


def _absent_term(cases: _Cases, name: str, reason: Caution) -> FirthTerm:
    odds = no_estimate(estimand=f"log odds of going adverse, {name}", method=PROFILED, n=cases.n, reason=reason)
    ratio = replace(odds, estimand=f"odds ratio of going adverse, {name}", unit="ratio")
    return FirthTerm(name=name, log_odds=odds, odds_ratio=ratio)


def _cautions(cases: _Cases, profile: Profile, aliased: Sequence[str]) -> tuple[Caution, ...]:
    found = []
    if aliased:
        found.append(Caution("positivity", "not_estimable", {"names": tuple(aliased)}))
    if cases.adverse.min() == cases.adverse.max():
        found.append(Caution("separation", "coefficients_from_penalty"))
    elif profile.separated:
        found.append(Caution("separation", "outcomes_separated"))
    if not profile.best.converged:
        found.append(Caution("convergence", "fit_did_not_settle"))
    return tuple(found)
