"""Values of a measure over time made ready for a mixed model: complete rows, the model's columns, and who is who."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import polars as pl
from numpy.typing import NDArray

from warehouse.analysis.design import (
    Covariate,
    Design,
    build_design,
    independent_columns,
    missing_rows,
    numbers,
    require_column,
)
from warehouse.analysis.spline import FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CourseValues:
    """Complete values and the model's columns."""

    matrix: FloatArray  # Every column asked for, shape `(N, terms)`
    names: tuple[str, ...]  # Their names
    useful: NDArray[np.bool_]  # Which of them the data can tell apart
    response: FloatArray  # Shape `(N,)`
    times: FloatArray  # Time since the origin, shape `(N,)`
    cases: NDArray[np.intp]  # Dense case numbers, shape `(N,)`
    counts: NDArray[np.intp]  # Values of each case, shape `(cases,)`
    labels: NDArray[np.str_]  # The group of each value, shape `(N,)`; empty names without a group
    groups: tuple[str, ...]  # Levels of the group, the reference first; one empty name without a group
    group: str  # Column of the groups, or empty
    time: str  # Column of the time
    value: str  # Column of the measure
    origin: float  # The time that counts as zero
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
    origin: float,
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
    times = numbers(rows[time]) - origin
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
        origin=origin,
        design=design,
        left_out=MappingProxyType({k: n for k, n in (left_out | dict(design.left_out)).items() if n}),
    )


def _groups(frame: pl.DataFrame, by: Covariate | None) -> tuple[str, ...]:
    if by is None:
        return ("",)
    levels = sorted(frame[by.name].cast(pl.String).drop_nulls().unique().to_list())
    first = by.reference or (levels[0] if levels else "")
    return (first, *(name for name in levels if name != first))


def why_no_course(data: CourseValues) -> str | None:
    """A sentence if these values cannot carry a mixed model, else None."""
    if data.response.size == 0:
        return "No value with a time, a case and all covariates."
    if data.counts.max() < 2:
        return "No case has two values: a course over time cannot be told from differences between cases."
    if data.counts.size < 2 or data.response.size <= data.useful.sum() + 1:
        return f"{data.counts.size} cases with {data.response.size} values are too few for this model."
    if np.ptp(data.times) == 0.0:
        return "All values are from the same time."
    if not data.useful[data.names.index(data.time)]:
        return "What is adjusted for follows the time exactly: the course over time cannot be told from it."
    return None
