"""Two groups of cases made ready for an adjusted comparison: outcome, group, covariates, and who was left out."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
import polars as pl

from warehouse.analysis.design import Design, build_design, missing_rows, numbers, require_column
from warehouse.analysis.inputs import Covariate
from warehouse.analysis.spline import BoolArray, FloatArray
from warehouse.errors import RequestError
from warehouse.results import Caution, Estimate, no_estimate


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GroupPair:
    """Cases of a first and a second group with an outcome and a design."""

    labels: tuple[str, str]  # Name of the first and of the second group; every contrast is first minus (or over) second
    outcome: FloatArray  # Shape `(n,)`; 1 = adverse, 0 = not, or any number; NaN only where missing outcomes were kept
    first: BoolArray  # Membership of the first group, shape `(n,)`
    design: Design  # Intercept and covariates of the same `n` cases; the group is not among its columns
    outcome_name: str  # The column the outcome came from
    binary: bool  # Whether the outcome is a yes/no
    left_out: Mapping[str, int]  # Reason -> cases not used; together with `n` they add up to the rows of the frame

    @property
    def n(self) -> int:
        """Number of cases used."""
        return int(self.outcome.shape[0])

    @property
    def sizes(self) -> tuple[int, int]:
        """Number of cases in the first and in the second group."""
        n_first = int(self.first.sum())
        return n_first, self.n - n_first

    @property
    def unit(self) -> str:
        """Unit of a group's value: ``proportion`` for a yes/no outcome."""
        return "proportion" if self.binary else f"units of {self.outcome_name}"

    @property
    def noun(self) -> str:
        """What a group's value is: a ``share`` or a ``mean``."""
        return "share" if self.binary else "mean"

    def emptiness(self) -> Caution | None:
        """A caution if one or both groups are empty, else None."""
        empty = [label for label, size in zip(self.labels, self.sizes, strict=True) if size == 0]
        if not empty:
            return None
        return Caution("no_data", "none_complete_in", {"names": tuple(empty)})

    def nothing(self, *, estimand: str, method: str, reason: Caution) -> Estimate:
        """An estimate that these cases cannot give, with the reason and who was left out."""
        bare = no_estimate(estimand=estimand, method=method, n=self.n, reason=reason, unit=self.unit)
        return replace(bare, left_out=self.left_out, adjusted_for=self.design.covariates)


def pair_groups(
    frame: pl.DataFrame,
    *,
    outcome: str,
    group: str,
    first: str,
    second: str,
    covariates: Sequence[Covariate | str] = (),
    keep_missing_outcome: bool = False,
) -> GroupPair:
    """Take two groups out of a frame, complete in group, outcome and covariates.

    ``outcome``: a true/false column (null = not assessable) or a column of numbers. ``group``: the column that says who
    had what; compared as text. ``first``: the group whose excess is estimated. ``second``: the group it is compared
    with. ``covariates``: what to adjust for. ``keep_missing_outcome``: keep cases without an outcome (as NaN), for
    imputation. Gives the pair; an empty group or no case at all is not an error here: the estimators say so in words.
    Raises RequestError where a column does not exist, the outcome is text, or both groups are the same.
    """
    for column in (outcome, group):
        require_column(frame, column)
    _check_roles(group, outcome, first, second, [c if isinstance(c, str) else c.name for c in covariates])
    belongs = frame[group].cast(pl.String)
    among = belongs.is_in([first, second]).fill_null(value=False).to_numpy().copy()
    left_out = _count(f"{group} missing", int(belongs.is_null().sum()))
    left_out |= _count("in neither group", int((~among).sum()) - sum(left_out.values()))
    if not keep_missing_outcome:
        lacking = among & missing_rows(frame[outcome])
        left_out |= _count(f"{outcome} missing", int(lacking.sum()))
        among &= ~lacking
    design = build_design(frame, covariates, among=among)
    values = numbers(frame[outcome])[design.kept]
    return GroupPair(
        labels=(first, second),
        outcome=np.where(np.isfinite(values), values, np.nan),
        first=(belongs == first).fill_null(value=False).to_numpy()[design.kept],
        design=design,
        outcome_name=outcome,
        binary=_is_binary(frame[outcome], values),
        left_out=MappingProxyType(left_out | dict(design.left_out)),
    )


def _check_roles(group: str, outcome: str, first: str, second: str, covariates: Sequence[str]) -> None:
    if first == second:
        found = f"The group {first!r} was compared with itself."
        raise RequestError(found, expected="two different groups", remedy="choose another second group")
    both = sorted({group, outcome} & set(covariates))
    if both:
        found = f"Adjusting for {', '.join(both)}, which is the group or the outcome itself."
        raise RequestError(found, expected="covariates known before the outcome", remedy="take it out of the list")


def _count(reason: str, cases: int) -> dict[str, int]:
    return {reason: cases} if cases else {}


def _is_binary(column: pl.Series, values: FloatArray) -> bool:
    if column.dtype == pl.Boolean:
        return True
    known = values[np.isfinite(values)]
    return bool(known.size) and bool(np.isin(known, (0.0, 1.0)).all())
