"""R2: a growth reference fitted to untreated children of one's own.

Each measure gets a straight line over the ages at which children were seen, from a mixed model with a level and a
yearly change of every child's own (``warehouse.analysis.longitudinal``; where the data cannot carry the latter, one
yearly change for all, and the curve says so). Both sexes get a line of their own where each has enough children, else
they share one. Outside the ages seen there is no expectation.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from warehouse.analysis.longitudinal import MixedModel, mixed_model
from warehouse.outcomes.growth_reference import GrowthCurve, GrowthReference, Sex
from warehouse.results import Caution

if TYPE_CHECKING:
    from warehouse.growth.own_cases import OwnCases

ID = "R2"
ENOUGH_CHILDREN = 10
"""Children with two times or more that a line of its own needs (common practice, no source)."""
_TIMES_FOR_SLOPE, _CHILDREN_FOR_SLOPE = 3, 5
_LEAST_SPAN_YEARS = 0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CurveFit:
    """One fitted line."""

    curve: GrowthCurve  # The line, as the reference keeps it
    model: MixedModel  # The model behind it; the origin of its age is birth
    n_children: int  # Children with two times or more; `n_values` their values
    n_values: int
    cautions: tuple[Caution, ...]  # What to keep in mind


@dataclass(frozen=True, slots=True, kw_only=True)
class Refusal:
    """A measure that could not be fitted, and why."""

    measure: str
    label: str
    reason: Caution


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FittedReference:
    """What came of a fit."""

    reference: GrowthReference | None  # The reference; None where no measure could be fitted
    fits: tuple[CurveFit, ...]  # Its lines
    refused: tuple[Refusal, ...]  # Measures without a line
    remarks: tuple[Caution, ...]  # What was left out of the cases


def fit_reference(cases: OwnCases, *, version: str) -> FittedReference:
    """Fit every measure that enough untreated children have.

    ``cases``: the untreated cases of a warehouse.
    """
    fits: list[CurveFit] = []
    refused: list[Refusal] = []
    for measure in cases.measures:
        found = fit_measure(cases.course(measure), measure, error=cases.errors.get(measure))
        if isinstance(found, Caution):
            refused.append(Refusal(measure=measure, label=cases.labels.get(measure, measure), reason=found))
        else:
            fits += found
    reference = None
    if fits:
        provenance = (
            f"fitted to {cases.frame['case_no'].n_unique():,} untreated comparison cases of this warehouse"
            f" (build {cases.build}); straight lines over the ages seen, not used outside them"
        )
        curves = tuple(fit.curve for fit in fits)
        reference = GrowthReference(ID, version, "Own untreated cases", provenance, curves)
    return FittedReference(
        reference=reference, fits=tuple(fits), refused=tuple(refused), remarks=tuple(_remarks(cases))
    )


def _remarks(cases: OwnCases) -> list[Caution]:
    said = []
    if cases.n_selected:
        said.append(Caution("approximation", "untreated_hand_picked", {"n": cases.n_selected}))
    if cases.n_without_age:
        said.append(Caution("no_data", "untreated_without_age", {"n": cases.n_without_age}))
    return said


def fit_measure(course: pl.DataFrame, measure: str, *, error: float | None = None) -> list[CurveFit] | Caution:
    """The lines of one measure: of both sexes together, and of each where both have enough children.

    The line of both together serves children whose sex is not known.

    ``course``: one row a value: case, sex, age, value. ``error``: error of one reading, for the spread between children
    where nobody was seen three times. Gives the lines, or the reason in words why there is none.
    """
    several = course.filter(pl.col("age").n_unique().over("case") >= 2)
    n = several["case"].n_unique()
    if n < ENOUGH_CHILDREN:
        code = "few_children_seen_twice" if n else "no_child_seen_twice"
        return Caution("no_data", code, {"n": n, "needed": ENOUGH_CHILDREN})
    together = _line(several, measure, "any", error)
    if isinstance(together, Caution):
        return together
    by_sex = [
        _line(several.filter(pl.col("sex") == sex), measure, sex, error)
        for sex in ("male", "female")
        if several.filter(pl.col("sex") == sex)["case"].n_unique() >= ENOUGH_CHILDREN
    ]
    lines = [line for line in by_sex if isinstance(line, CurveFit)]
    return [together, *lines] if len(lines) == 2 else [together]


def _line(course: pl.DataFrame, measure: str, sex: Sex | str, error: float | None) -> CurveFit | Caution:
    ages = course["age"].to_numpy()
    first, last = float(ages.min()), float(ages.max())
    if last - first < _LEAST_SPAN_YEARS:
        return Caution("no_data", "ages_too_close", {"years": _LEAST_SPAN_YEARS})
    model = mixed_model(course, value="value", time="age", case="case")
    level, slope = model.term("intercept").value, model.slopes[0].value
    if level is None or slope is None:
        return model.warnings[0] if model.warnings else Caution("no_data", "no_line_fitted")
    spread, cautions = _spread_of_slopes(course, model, error)
    n = model.n_cases
    kind = "a level and yearly change of every child's own" if model.sd_slope is not None else "one yearly change"
    source = (
        f"{n} untreated children of this warehouse, {model.n_values} values, ages {first:.1f} to {last:.1f};"
        f" mixed model (REML), {kind}"
    )
    curve = GrowthCurve(
        measure=measure,
        sex="male" if sex == "male" else "female" if sex == "female" else "any",
        ages=(first, last),
        means=(level + slope * first, level + slope * last),
        slope_sd=spread,
        slope_se=_slope_error(model),
        source=source,
        evidence="own cases",
        spread_evidence="own cases",
        spread_children=n,
    )
    return CurveFit(curve=curve, model=model, n_children=n, n_values=model.n_values, cautions=tuple(cautions))


def _slope_error(model: MixedModel) -> float | None:
    """Standard error of the mean yearly change, out of its Student interval."""
    from scipy.special import stdtrit

    interval = model.slopes[0].interval
    df = model.n_values - model.n_cases - 1
    if interval is None or df < 1:
        return None
    return (interval.high - interval.low) / 2.0 / float(stdtrit(df, 0.5 + interval.level / 2.0))


def _spread_of_slopes(
    course: pl.DataFrame, model: MixedModel, error: float | None
) -> tuple[float | None, list[Caution]]:
    """How much the yearly change differs between children, and what to say of it."""
    said = list(model.warnings)
    if model.sd_slope is not None:
        return model.sd_slope, said
    often = course.group_by("case").len().filter(pl.col("len") >= _TIMES_FOR_SLOPE).height
    if often >= _CHILDREN_FOR_SLOPE and not any(caution.code == "rates_did_not_settle" for caution in said):
        return 0.0, said
    spread = _spread_less_error(course, error)
    if spread is None:
        said.append(Caution("no_data", "spread_of_children_unknown"))
    else:
        said.append(Caution("approximation", "spread_of_children_from_changes"))
    return spread, said


def _spread_less_error(course: pl.DataFrame, error: float | None) -> float | None:
    """Spread of the children's own yearly changes, less what the error of readings makes of it; None if unknown.

    sqrt(variance of slopes - mean of error^2 / sum of squares of ages about their mean), not below 0.
    """
    if error is None:
        return None
    own = (
        course.with_columns(away=pl.col("age") - pl.col("age").mean().over("case"))
        .group_by("case")
        .agg((pl.col("away") * pl.col("value")).sum().alias("product"), (pl.col("away") ** 2).sum().alias("square"))
        .filter(pl.col("square") > 0.0)
    )
    squares = own["square"].to_numpy()
    slopes = own["product"].to_numpy() / squares
    if slopes.size < 2:
        return None
    left = float(slopes.var(ddof=1)) - error**2 * float(np.mean(1.0 / squares))
    return sqrt(max(0.0, left))
