"""Analysis of covariance: groups compared at the finish, given where each case started.

Estimand: how much further one group lies from another at the finish, between cases with the same start (and the same
covariates). This and not change against start is the comparison that regression to the mean does not disturb. It is
the same number whether finish or change is the outcome, as long as the start is in the model.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import polars as pl

from warehouse.analysis.change import student
from warehouse.analysis.design import Design, build_design, independent_columns, missing_rows, numbers, require_column
from warehouse.analysis.inputs import Covariate, check_level
from warehouse.analysis.least_squares import LeastSquares, least_squares
from warehouse.analysis.spline import BoolArray, FloatArray
from warehouse.errors import RequestError, near_names
from warehouse.results import Caution, Estimate, Interval

_METHOD = "analysis of covariance on the start, HC3 error, Student's t"
_UNIT = "units of the measure"


@dataclass(frozen=True, slots=True, kw_only=True)
class Ancova:
    """Groups compared given the start."""

    groups: tuple[str, ...]  # The reference, then the other groups in alphabetical order
    sizes: tuple[int, ...]  # Cases of each group
    differences: tuple[Estimate, ...]  # Each other group minus the reference, in the order of `groups`
    # Mean change of every group as if its cases had been like the average of all; the average is taken as fixed
    adjusted_changes: tuple[Estimate, ...]
    baseline_slope: Estimate  # Finish per unit of start; below 1, extreme starts move towards the middle
    left_out: Mapping[str, int]  # Reason -> cases not used


def ancova(
    frame: pl.DataFrame,
    *,
    before: str,
    after: str,
    group: str,
    reference: str,
    covariates: Sequence[Covariate | str] = (),
    level: float = 0.95,
) -> Ancova:
    """Compare the groups of a frame at the finish, given the start.

    Model: after = a + b before + covariates + group + error, by least squares; errors may differ in size between cases
    (HC3). Assumes that the start acts alike in all groups and along a straight line.

    ``after``: column of the value at the finish, same unit. ``group``: column of the groups, compared as text; every
    group in it is used. ``reference``: the group the others are compared with. Gives the comparison. An empty group, or
    one that the covariates fully determine, gives None with a sentence; a group of one has a value but no interval.
    Raises RequestError where a column does not exist, or ``reference`` is none of the groups.

    Source: Vickers & Altman 2001, BMJ 323:1123.
    """
    check_level(level)
    for name in (before, after, group):
        require_column(frame, name)
    labels = frame[group].cast(pl.String)
    everyone = sorted(labels.drop_nulls().unique().to_list())
    if everyone and reference not in everyone:
        found = f"The reference group {reference!r} has no case."
        raise RequestError(found, expected=", ".join(everyone), remedy=near_names(reference, everyone))
    fit = _fit(
        frame, (before, after, group), labels, (reference, *(g for g in everyone if g != reference)), covariates, level
    )
    return Ancova(
        groups=fit.groups,
        sizes=fit.sizes,
        differences=tuple(fit.difference(group, label) for label in fit.groups[1:]),
        adjusted_changes=tuple(fit.adjusted_change(label) for label in fit.groups),
        baseline_slope=fit.slope(before),
        left_out=fit.left_out,
    )


def _fit(
    frame: pl.DataFrame,
    columns: tuple[str, str, str],
    labels: pl.Series,
    groups: tuple[str, ...],
    covariates: Sequence[Covariate | str],
    level: float,
) -> _Fit:
    before, after, group = columns
    no_group, no_finish = missing_rows(labels), missing_rows(frame[after])
    left_out = {f"{group} missing": int(no_group.sum()), f"{after} missing": int((no_finish & ~no_group).sum())}
    design = build_design(frame, [Covariate(name=before), *covariates], among=~no_group & ~no_finish)
    kept = pl.Series(design.kept)
    members = [(labels.filter(kept) == label).to_numpy().astype(np.float64) for label in groups]
    matrix = np.column_stack([design.matrix, *members[1:]])
    useful = independent_columns(matrix)
    start = numbers(frame[before])[design.kept]
    return _Fit(
        design=design,
        model=least_squares(matrix[:, useful], numbers(frame[after])[design.kept]),
        useful=useful,
        groups=groups,
        sizes=tuple(int(member.sum()) for member in members),
        start=float(start.mean()) if start.size else 0.0,
        left_out=MappingProxyType({reason: n for reason, n in (left_out | dict(design.left_out)).items() if n}),
        adjusted_for=design.covariates,
        level=level,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Fit:
    """The fitted model and how to read it; columns are the design's, then one a group but the reference."""

    design: Design
    model: LeastSquares
    useful: BoolArray
    groups: tuple[str, ...]
    sizes: tuple[int, ...]
    start: float
    left_out: Mapping[str, int]
    adjusted_for: tuple[str, ...]
    level: float

    def difference(self, group: str, label: str) -> Estimate:
        return self._read(
            f"{group}: {label} minus {self.groups[0]} at the finish, same start", self._step(label), label
        )

    def adjusted_change(self, label: str) -> Estimate:
        average = np.zeros(self.useful.size)
        p = self.design.matrix.shape[1]
        average[:p] = self.design.matrix.mean(axis=0) if self.design.n else 0.0
        where = average + (0.0 if label == self.groups[0] else self._step(label))
        return self._read(f"mean change in {label}, average case", where, label, shift=-self.start)

    def slope(self, before: str) -> Estimate:
        estimand = f"finish per unit of {before} at the start"
        if before not in self.design.names:
            return self._estimate(estimand, None, None, None, Caution("no_data", "does_not_vary", {"before": before}))
        direction = np.zeros(self.useful.size)
        direction[self.design.names.index(before)] = 1.0
        return self._read(estimand, direction, self.groups[0])

    def _step(self, label: str) -> FloatArray:
        step = np.zeros(self.useful.size)
        step[self.design.matrix.shape[1] + self.groups.index(label) - 1] = 1.0
        return step

    def _read(self, estimand: str, direction: FloatArray, label: str, *, shift: float = 0.0) -> Estimate:
        reason = self._why_not(direction, label)
        if reason:
            return self._estimate(estimand, None, None, None, reason)
        used = direction[self.useful]
        value, error = self.model.value(used) + shift, self.model.error(used)
        if not error:
            code = "exactly_on_model" if error == 0.0 else "single_case_no_spread"
            return self._estimate(estimand, value, None, None, Caution("small_sample", code))
        interval, p_value = student(value, error, self.model.df, self.level)
        return self._estimate(estimand, value, interval, p_value, None)

    def _why_not(self, direction: FloatArray, label: str) -> Caution | None:
        sizes = dict(zip(self.groups, self.sizes, strict=True))
        for needed in (self.groups[0], label):
            if sizes[needed] == 0:
                return Caution("no_data", "none_complete", {"needed": needed})
        if direction[~self.useful].any():
            return Caution("no_data", "covariates_tell_group", {"label": label})
        return None

    def _estimate(
        self,
        estimand: str,
        value: float | None,
        interval: Interval | None,
        p_value: float | None,
        caution: Caution | None,
    ) -> Estimate:
        return Estimate(
            estimand=estimand,
            value=value,
            interval=interval,
            method=_METHOD,
            n=self.design.n,
            left_out=self.left_out,
            p_value=p_value,
            unit=_UNIT,
            adjusted_for=self.adjusted_for,
            warnings=self.design.warnings if caution is None else (*self.design.warnings, caution),
        )
