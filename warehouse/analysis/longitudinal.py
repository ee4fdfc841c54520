"""The course of a measure over months or age, when cases have more than two times.

A linear mixed model: every case has its own level and its own rate of change around those of its group. Cases with
fewer times still count, and the intervals know that values of one case go together.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np
import polars as pl

from warehouse.analysis.course_terms import CURVE, UNIT, CourseTerms
from warehouse.analysis.course_values import CourseValues, course_values, why_no_course
from warehouse.analysis.design import Covariate
from warehouse.analysis.inputs import check_level
from warehouse.analysis.mixed_fit import MixedFit, fit_mixed
from warehouse.analysis.mixed_likelihood import Criterion
from warehouse.analysis.spline import FloatArray
from warehouse.errors import RequestError, near_names
from warehouse.results import Caution, Estimate, no_estimate

_CASES_FOR_SLOPE = 5  # cases with three times below which a rate of their own is not tried (common practice, no source)
_NEGLIGIBLE = 1e-4  # a spread below this share of the residual one counts as none
_EXACT = 1e-6  # a residual variance below this share of the whole is none: the search goes no further


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MixedModel:
    """A fitted mixed model."""

    terms: tuple[Estimate, ...]  # Fixed effects; their `estimand` is the term's name in words
    names: tuple[str, ...]  # Names of the terms: `intercept`, `group=level`, covariates, the time, `time × group=level`
    # Change per unit of time in every group, the reference first; one entry without a group
    slopes: tuple[Estimate, ...]
    # Expected value of every group over the times it was seen, other covariates at their averages: `group`,
    # `time`, `value`, `low`, `high`
    curve: pl.DataFrame
    # Spread of the cases' levels at the origin of time, in the unit of the measure; None if not fitted
    sd_intercept: float | None
    sd_slope: float | None  # Spread of their rates; None if every case was given the rate of its group
    correlation: float | None  # Between level and rate; None without `sd_slope` or on the boundary
    sd_residual: float | None  # Spread of values around the line of their own case
    # Of the criterion; compare only models fitted by `ML`, or by `REML` with the same terms
    log_likelihood: float | None
    aic: float | None  # -2 log likelihood + 2 x parameters, as nlme counts them
    bic: float | None  # -2 log likelihood + log(N) x parameters, N = values (less fixed effects under REML), as nlme
    n_cases: int  # Cases used
    n_values: int  # Values used
    left_out: Mapping[str, int]  # Reason -> values (not cases) left out
    warnings: tuple[Caution, ...]  # Cautions about the model as a whole, repeated on every term

    def term(self, name: str) -> Estimate:
        """The fixed effect called ``name``.

        Raises RequestError where there is none.
        """
        if name not in self.names:
            found = f"The model has no term {name!r}."
            raise RequestError(found, expected=", ".join(self.names), remedy=near_names(name, self.names))
        return self.terms[self.names.index(name)]


def mixed_model(
    frame: pl.DataFrame,
    *,
    value: str,
    time: str,
    case: str,
    group: str | None = None,
    reference: str | None = None,
    covariates: Sequence[Covariate | str] = (),
    origin: float = 0.0,
    interaction: bool = True,
    random_slope: bool = True,
    criterion: Criterion = "REML",
    level: float = 0.95,
) -> MixedModel:
    """Fit value = group + covariates + time (+ time x group) + level and rate of the case + error.

    Intervals and tests are Student's with the degrees of freedom of nlme: terms that vary within cases have
    N - cases - (such terms), the others cases - 1 - (such terms). Standard errors are those of lme4 and statsmodels;
    under ``ML`` nlme prints them multiplied by sqrt(N / (N - p)). Assumes that a missing time has nothing to do with
    the value it would have had, given the values that are there.

    ``frame``: one row a value. ``time``: column of the time (months since the start, or age). ``case``: column that
    says whose value it is. ``group``: column of the groups; None for one course for all. ``reference``: the group the
    others are compared with; None is the first alphabetically. ``covariates``: variables that shift the level.
    ``origin``: the time at which levels are compared, e.g. 11 for age 11. ``interaction``: let the rate differ between
    groups. ``random_slope``: let the rate differ between cases. Gives the model. Where the data cannot carry a rate of
    its own for every case (too few times, no such spread, no convergence) the model without it is given and a warning
    says so. No case with two times gives None. Raises RequestError where a column or the reference does not exist.

    Source: Laird & Ware 1982, Biometrics 38:963; Pinheiro & Bates 2000, Mixed-Effects Models, section 2.4.
    """
    check_level(level)
    by = None if group is None else Covariate(name=group, kind="category", reference=reference)
    data = course_values(frame, (value, time, case), by, covariates, origin, interaction)
    reason = why_no_course(data)
    if reason:
        return _nothing(data, reason)
    fit, cautions = _fit(data, random_slope, criterion)
    rounding = (1e-12 * float(np.abs(data.response).max())) ** 2
    if fit.residual_variance <= _EXACT * float(np.var(data.response)) + rounding:
        return _nothing(data, "The values of every case lie exactly on a line: there is no spread to judge by.")
    return _result(data, fit, cautions, criterion, level)


def _fit(data: CourseValues, random_slope: bool, criterion: Criterion) -> tuple[MixedFit, tuple[Caution, ...]]:
    design = data.matrix[:, data.useful]

    def fit(with_slope: bool) -> MixedFit:
        return fit_mixed(design, data.response, data.times, data.cases, random_slope=with_slope, criterion=criterion)

    cautions: list[Caution] = []
    if random_slope and int((data.counts >= 3).sum()) < _CASES_FOR_SLOPE:
        text = f"Fewer than {_CASES_FOR_SLOPE} cases have three times: every case was given the rate of its group."
        cautions.append(Caution("approximation", text))
        random_slope = False
    if random_slope:
        found = fit(True)
        text = _slope_trouble(found, data.times)
        if not text:
            return found, _boundary(found)
        cautions.append(Caution("convergence", text))
    found = fit(False)
    return found, (*cautions, *_boundary(found))


def _slope_trouble(fit: MixedFit, times: FloatArray) -> str:
    """Why the model with a rate for every case is not to be used, or the empty string."""
    if not fit.converged:
        return "The model with a rate for every case did not settle: every case was given the rate of its group."
    if sqrt(fit.spread[1, 1]) * float(np.std(times)) < _NEGLIGIBLE * sqrt(fit.residual_variance):
        return "Cases do not differ measurably in their rate: every case was given the rate of its group."
    return ""


def _boundary(fit: MixedFit) -> tuple[Caution, ...]:
    if not fit.singular:
        return ()
    if fit.spread[0, 0] < _NEGLIGIBLE**2 * fit.residual_variance:
        text = "Cases do not differ measurably in their level beyond the spread of single values."
    else:
        text = "Level and rate of the cases go together perfectly in this fit: the data cannot tell them apart."
    return (Caution("convergence", text),)


def _result(
    data: CourseValues, fit: MixedFit, cautions: tuple[Caution, ...], criterion: Criterion, level: float
) -> MixedModel:
    reader = CourseTerms(
        data=data,
        within=data.varies_within(),
        fit=fit,
        cautions=data.design.warnings + cautions,
        criterion=criterion,
        level=level,
    )
    n, p = data.response.size, int(data.useful.sum())
    parameters = p + (4 if fit.spread.shape[0] == 2 else 2)
    deviance = -2.0 * fit.log_likelihood
    sds = np.sqrt(np.diagonal(fit.spread))
    both = sds.size == 2 and not fit.singular
    return MixedModel(
        terms=tuple(reader.term(name) for name in data.names),
        names=data.names,
        slopes=tuple(reader.rate(name) for name in data.groups),
        curve=reader.curve(),
        sd_intercept=float(sds[0]),
        sd_slope=float(sds[1]) if sds.size == 2 else None,
        correlation=float(fit.spread[0, 1] / (sds[0] * sds[1])) if both else None,
        sd_residual=sqrt(fit.residual_variance),
        log_likelihood=fit.log_likelihood,
        aic=deviance + 2.0 * parameters,
        bic=deviance + parameters * float(np.log(n - p if criterion == "REML" else n)),
        n_cases=data.n_cases,
        n_values=n,
        left_out=data.left_out,
        warnings=reader.cautions,
    )


def _nothing(data: CourseValues, reason: str) -> MixedModel:
    def empty(estimand: str) -> Estimate:
        return no_estimate(estimand=estimand, method="linear mixed model", n=data.n_cases, reason=reason, unit=UNIT)

    where = [f" in {name}" if name else "" for name in data.groups]
    return MixedModel(
        terms=tuple(empty(f"{name}, effect on {data.value}") for name in data.names),
        names=data.names,
        slopes=tuple(empty(f"change of {data.value} per unit of {data.time}{place}") for place in where),
        curve=pl.DataFrame(schema=CURVE),
        sd_intercept=None,
        sd_slope=None,
        correlation=None,
        sd_residual=None,
        log_likelihood=None,
        aic=None,
        bic=None,
        n_cases=data.n_cases,
        n_values=data.response.size,
        left_out=data.left_out,
        warnings=(Caution("no_data", reason),),
    )
