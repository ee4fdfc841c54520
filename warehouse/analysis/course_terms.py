"""What a fitted mixed model says: its terms, the rate of every group, and the expected course as a curve."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from warehouse.analysis.change import student
from warehouse.analysis.design import INTERCEPT
from warehouse.results import Caution, Estimate, no_estimate

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from warehouse.analysis.course_values import CourseValues
    from warehouse.analysis.mixed_fit import MixedFit
    from warehouse.analysis.mixed_likelihood import Criterion
    from warehouse.analysis.spline import FloatArray

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
                (label, float(time) + data.origin, one.value, one.interval.low, one.interval.high)
                for time, one in known
                if one.interval is not None
            ],
            schema=CURVE,
            orient="row",
        )

    def _read(self, estimand: str, direction: FloatArray) -> Estimate:
        data, method = self.data, f"linear mixed model ({self.criterion}), Student's t"
        if direction[~data.useful].any():
            reason = "The values cannot tell this from the other terms of the model."
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
