"""The course of a measure over months or age, when cases have more than two times.

A linear mixed model: every case has its own level and its own rate of change around those of its group. Cases with
fewer times still count, and the intervals know that values of one case go together.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import sqrt
from types import MappingProxyType

import numpy as np
import polars as pl
from numpy.typing import NDArray

from warehouse.analysis.change import student
from warehouse.analysis.design import (
    INTERCEPT,
    Design,
    build_design,
    independent_columns,
    missing_rows,
    numbers,
    require_column,
)
from warehouse.analysis.inputs import Covariate, check_level
from warehouse.analysis.mixed_fit import Criterion, MixedFit, fit_mixed
from warehouse.analysis.spline import FloatArray
from warehouse.errors import RequestError, near_names
from warehouse.results import Caution, Estimate, no_estimate


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CourseValues:
    """Complete values and the model's columns."""

    matrix: FloatArray  # Every column asked for, shape `(N, terms)`
    names: tuple[str, ...]  # Their names
    useful: NDArray[np.bool_]  # Which of them the data can tell apart
    response: FloatArray  # Shape `(N,)`
    times: FloatArray  # Shape `(N,)`
    cases: NDArray[np.intp]  # Dense case numbers, shape `(N,)`
    counts: NDArray[np.intp]  # Values of each case, shape `(cases,)`
    labels: NDArray[np.str_]  # The group of each value, shape `(N,)`; empty names without a group
    groups: tuple[str, ...]  # Levels of the group, the reference first; one empty name without a group
    group: str  # Column of the groups, or empty
    time: str  # Column of the time
    value: str  # Column of the measure
    design: Design  # Group and covariates alone
    left_out: Mapping[str, int]  # Reason -> values left out

    @property
    def n_cases(self) -> int:
        """Number of cases."""
        return int(self.counts.size)

    @property
    def adjusted_for(self) -> tuple[str, ...]:
        """The covariates, without the group."""
        return tuple(name for name in self.design.covariates if name != self.group)

    def interaction(self, label: str) -> str:
        """Name of the column in which a group's rate differs from that of the reference."""
        return f"{self.time} × {self.group}={label}"

    def varies_within(self) -> NDArray[np.bool_]:
        """Which columns differ between values of the same case, shape ``(terms,)``."""
        first = np.zeros(self.n_cases, dtype=np.intp)
        first[self.cases[::-1]] = np.arange(self.cases.size)[::-1]
        return np.asarray((self.matrix != self.matrix[first][self.cases]).any(axis=0))

    def members(self, label: str) -> NDArray[np.bool_]:
        """Which values belong to a group, shape ``(N,)``."""
        return np.asarray(self.labels == label, dtype=np.bool_)

    def average_case(self, label: str) -> tuple[FloatArray, FloatArray]:
        """Rows of the matrix for an average case of a group: at time zero, and added per unit of time.

        Gives two arrays of shape ``(terms,)``.
        """
        start, per_time = np.zeros(len(self.names)), np.zeros(len(self.names))
        for j, name in enumerate(self.names):
            if name in {self.time, self.interaction(label)}:
                per_time[j] = 1.0
            elif not self.group or not name.startswith((f"{self.group}=", f"{self.time} × {self.group}=")):
                start[j] = self.matrix[:, j].mean()
            else:
                start[j] = float(name == f"{self.group}={label}")
        return start, per_time


def course_values(
    frame: pl.DataFrame,
    columns: tuple[str, str, str],
    by: Covariate | None,
    covariates: Sequence[Covariate | str],
    interaction: bool,
) -> CourseValues:
    """Take the columns value, time and case, a group and covariates out of a frame, complete values only.

    Raises RequestError where a column does not exist.
    """
    value, time, case = columns
    for name in columns:
        require_column(frame, name)
    gaps = {name: missing_rows(frame[name]) for name in (value, time, case)}
    among = ~np.logical_or.reduce(list(gaps.values()))
    left_out = {"value, time or case missing": int((~among).sum())}
    design = build_design(frame, ([by] if by else []) + list(covariates), among=among)
    rows = frame.filter(pl.Series(design.kept))
    times = numbers(rows[time])
    groups = _groups(frame, by)
    labels = rows[by.name].cast(pl.String).to_numpy().astype(np.str_) if by else np.full(rows.height, "")
    products = [times * (labels == name) for name in groups[1:]] if interaction else []
    matrix = np.column_stack([design.matrix, times, *products])
    cases = rows[case].rank("dense").to_numpy().astype(np.intp) - 1 if rows.height else np.empty(0, dtype=np.intp)
    return CourseValues(
        matrix=matrix,
        names=(*design.names, time, *(f"{time} × {by.name}={g}" for g in groups[1:] if by and interaction)),
        useful=independent_columns(matrix),
        response=numbers(rows[value]),
        times=times,
        cases=cases,
        counts=np.bincount(cases),
        labels=labels,
        groups=groups,
        group=by.name if by else "",
        time=time,
        value=value,
        design=design,
        left_out=MappingProxyType({k: n for k, n in (left_out | dict(design.left_out)).items() if n}),
    )


def _groups(frame: pl.DataFrame, by: Covariate | None) -> tuple[str, ...]:
    if by is None:
        return ("",)
    levels = sorted(frame[by.name].cast(pl.String).drop_nulls().unique().to_list())
    first = by.reference or (levels[0] if levels else "")
    return (first, *(name for name in levels if name != first))


def why_no_course(data: CourseValues) -> Caution | None:
    """A caution if these values cannot carry a mixed model, else None."""
    if data.response.size == 0:
        return Caution("no_data", "no_complete_value")
    if data.counts.max() < 2:
        return Caution("no_data", "no_case_has_two_values")
    if data.counts.size < 2 or data.response.size <= data.useful.sum() + 1:
        return Caution("no_data", "too_few_for_course", {"n": data.counts.size, "n_values": data.response.size})
    if np.ptp(data.times) == 0.0:
        return Caution("no_data", "one_time_only")
    if not data.useful[data.names.index(data.time)]:
        return Caution("no_data", "covariates_follow_time")
    return None


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
    # Spread of the cases' levels at time zero, in the unit of the measure; None if not fitted
    sd_intercept: float | None = None
    sd_slope: float | None = None  # Spread of their rates; None if every case was given the rate of its group
    correlation: float | None = None  # Between level and rate; None without `sd_slope` or on the boundary
    sd_residual: float | None = None  # Spread of values around the line of their own case
    # Of the criterion; compare only models fitted by `ML`, or by `REML` with the same terms
    log_likelihood: float | None = None
    aic: float | None = None  # -2 log likelihood + 2 x parameters, as nlme counts them
    # -2 log likelihood + log(N) x parameters, N = values (less fixed effects under REML), as nlme
    bic: float | None = None
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
    ``interaction``: let the rate differ between
    groups. ``random_slope``: let the rate differ between cases. Gives the model. Where the data cannot carry a rate of
    its own for every case (too few times, no such spread, no convergence) the model without it is given and a warning
    says so. No case with two times gives None. Raises RequestError where a column or the reference does not exist.

    Source: Laird & Ware 1982, Biometrics 38:963; Pinheiro & Bates 2000, Mixed-Effects Models, section 2.4.
    """
    check_level(level)
    by = None if group is None else Covariate(name=group, kind="category", reference=reference)
    data = course_values(frame, (value, time, case), by, covariates, interaction)
    reason = why_no_course(data)
    if reason:
        return _nothing(data, reason)
    fit, cautions = _fit(data, random_slope, criterion)
    rounding = (1e-12 * float(np.abs(data.response).max())) ** 2
    if fit.residual_variance <= _EXACT * float(np.var(data.response)) + rounding:
        return _nothing(data, Caution("no_data", "cases_exactly_on_line"))
    return _result(data, fit, cautions, criterion, level)


def _fit(data: CourseValues, random_slope: bool, criterion: Criterion) -> tuple[MixedFit, tuple[Caution, ...]]:
    design = data.matrix[:, data.useful]

    def fit(with_slope: bool) -> MixedFit:
        return fit_mixed(design, data.response, data.times, data.cases, random_slope=with_slope, criterion=criterion)

    cautions: list[Caution] = []
    if random_slope and int((data.counts >= 3).sum()) < _CASES_FOR_SLOPE:
        cautions.append(Caution("approximation", "few_cases_with_three_times", {"n": _CASES_FOR_SLOPE}))
        random_slope = False
    if random_slope:
        found = fit(True)
        trouble = _slope_trouble(found, data.times)
        if trouble is None:
            return found, _boundary(found)
        cautions.append(trouble)
    found = fit(False)
    return found, (*cautions, *_boundary(found))


def _slope_trouble(fit: MixedFit, times: FloatArray) -> Caution | None:
    """Why the model with a rate for every case is not to be used, or the empty string."""
    if not fit.converged:
        return Caution("convergence", "rates_did_not_settle")
    if sqrt(fit.spread[1, 1]) * float(np.std(times)) < _NEGLIGIBLE * sqrt(fit.residual_variance):
        return Caution("convergence", "rates_alike")
    return None


def _boundary(fit: MixedFit) -> tuple[Caution, ...]:
    if not fit.singular:
        return ()
    if fit.spread[0, 0] < _NEGLIGIBLE**2 * fit.residual_variance:
        return (Caution("convergence", "levels_alike"),)
    return (Caution("convergence", "level_and_rate_together"),)


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


def _nothing(data: CourseValues, reason: Caution) -> MixedModel:
    def empty(estimand: str) -> Estimate:
        return no_estimate(estimand=estimand, method="linear mixed model", n=data.n_cases, reason=reason, unit=UNIT)

    where = [f" in {name}" if name else "" for name in data.groups]
    return MixedModel(
        terms=tuple(empty(f"{name}, effect on {data.value}") for name in data.names),
        names=data.names,
        slopes=tuple(empty(f"change of {data.value} per unit of {data.time}{place}") for place in where),
        curve=pl.DataFrame(schema=CURVE),
        n_cases=data.n_cases,
        n_values=data.response.size,
        left_out=data.left_out,
        warnings=(reason,),
    )


UNIT = "units of the measure"
CURVE = {"group": pl.String, "time": pl.Float64, "value": pl.Float64, "low": pl.Float64, "high": pl.Float64}
_CURVE_POINTS = 25


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CourseTerms:
    """Turns combinations of the fixed effects into estimates."""

    data: CourseValues  # The values
    within: NDArray[np.bool_]  # Which terms vary within cases, shape `(terms,)`
    fit: MixedFit  # The fitted model
    cautions: tuple[Caution, ...]  # To repeat on every estimate
    criterion: Criterion  # Restricted or full maximum likelihood
    level: float  # Nominal coverage

    def term(self, name: str) -> Estimate:
        """One fixed effect."""
        wanted = np.isin(self.data.names, [name]).astype(np.float64)
        return self._read(f"{name}, effect on {self.data.value}", wanted)

    def rate(self, label: str) -> Estimate:
        """Change per unit of time in one group."""
        data = self.data
        where = f" in {label}" if label else ""
        wanted = np.isin(data.names, [data.time, data.interaction(label)]).astype(np.float64)
        return self._read(f"change of {data.value} per unit of {data.time}{where}", wanted)

    def curve(self) -> pl.DataFrame:
        """Expected value of every group over the times it was seen, covariates at their averages.

        ``group``, ``time``, ``value``, ``low``, ``high``; a group whose course cannot be told is left out.
        """
        parts = [self._group_curve(label) for label in self.data.groups]
        return pl.concat([pl.DataFrame(schema=CURVE), *parts])

    def _group_curve(self, label: str) -> pl.DataFrame:
        data = self.data
        seen = data.times[data.members(label)]
        if seen.size == 0:
            return pl.DataFrame(schema=CURVE)
        times = np.linspace(seen.min(), seen.max(), _CURVE_POINTS)
        start, per_time = data.average_case(label)
        rows = [self._read("expected value", start + time * per_time) for time in times]
        known = [(time, one) for time, one in zip(times, rows, strict=True) if one.value is not None]
        return pl.DataFrame(
            [
                (label, float(time), one.value, one.interval.low, one.interval.high)
                for time, one in known
                if one.interval is not None
            ],
            schema=CURVE,
            orient="row",
        )

    def _read(self, estimand: str, direction: FloatArray) -> Estimate:
        data, method = self.data, f"linear mixed model ({self.criterion}), Student's t"
        if direction[~data.useful].any():
            reason = Caution("no_data", "values_cannot_tell_term")
            return no_estimate(estimand=estimand, method=method, n=data.n_cases, reason=reason, unit=UNIT)
        used = direction[data.useful]
        mean = float(used @ self.fit.coefficients)
        error = sqrt(float(used @ self.fit.covariance @ used))
        interval, p_value = student(mean, error, self._df(direction != 0.0), self.level)
        return Estimate(
            estimand=estimand,
            value=mean,
            interval=interval,
            method=method,
            n=data.n_cases,
            left_out=data.left_out,
            p_value=p_value,
            unit=UNIT,
            adjusted_for=data.adjusted_for,
            warnings=self.cautions,
        )

    def _df(self, wanted: NDArray[np.bool_]) -> int:
        """Degrees of freedom as nlme counts them: those of the level at which the term varies; the intercept within."""
        data = self.data
        within = data.useful & self.within
        n_within = int(within.sum())
        if (wanted & within).any() or data.names[int(np.argmax(wanted))] == INTERCEPT:
            return data.response.size - data.n_cases - n_within
        return data.n_cases - 1 - (int(data.useful.sum()) - n_within - 1)
