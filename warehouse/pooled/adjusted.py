"""Groups compared with adjustment for what else is known of the cases and for the practice, from single cases.

Only practices that gave cases can take part; counts alone cannot be adjusted.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import exp, sqrt
from types import MappingProxyType
from typing import TYPE_CHECKING

import polars as pl

from warehouse.analysis.design import Covariate, build_design
from warehouse.analysis.inputs import z_value
from warehouse.analysis.logistic import fit_or_fall_back
from warehouse.disclosure.hierarchy import ANY
from warehouse.plural import number_of
from warehouse.pooled.cases import result_column
from warehouse.pooled.result import Figure
from warehouse.pooled.tables import coarser
from warehouse.pooled.variables import ADVERSE, NOT_ADVERSE
from warehouse.results import Caution

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from warehouse.pooled.agreement import Agreement
    from warehouse.pooled.member import Member

PRACTICE = "practice"
_OUTCOME = "is_adverse"
_DIGITS = 2


@dataclass(frozen=True, slots=True)
class Adjusted:
    """Adjusted odds ratios to the reference group."""

    ratios: Mapping[str, Figure] = field(default_factory=lambda: MappingProxyType({}))  # Group -> odds ratio
    adjusted_for: tuple[str, ...] = ()  # Variables of the model, practice among them
    practices: int = 0  # Practices behind it
    notes: tuple[Caution | str, ...] = ()  # What to keep in mind, or why there is nothing


def adjusted_ratios(
    members: Sequence[Member], agreement: Agreement, outcome: str, by: str, *, at: int, reference: str, level: float
) -> Adjusted:
    """Odds ratios of the groups of a variable to a reference group, within practices and the other variables alike.

    Logistic regression with an indicator for every practice and every group of the other variables, each at the finest
    level all practices have; a variable that some practice had to drop is not adjusted for. Firth's penalty where the
    outcomes are separated. Rounded to two decimals, because single cases stand behind it.

    Args:
        members: The practices; those without single cases, or that dropped the variable, take no part.
        agreement: What was agreed.
        outcome: Id of the definition.
        by: The variable compared.
        at: Its level.
        reference: Its reference group.
        level: Level of the intervals.
    """
    taking_part = [one for one in members if one.cases is not None and _is_kept(agreement, by, one.levels[by])]
    if len(taking_part) < agreement.fewest_practices:
        note = (
            f"No adjusted comparison: {number_of(len(taking_part), 'practice')} gave single cases with this variable."
        )
        return Adjusted(practices=len(taking_part), notes=(note,))
    levels = {one.name: max(member.levels[one.name] for member in taking_part) for one in agreement.variables}
    levels[by] = max(levels[by], at)
    others = [name for name, level_ in levels.items() if name != by and _is_kept(agreement, name, level_)]
    frame = _frame(taking_part, agreement, outcome, {name: levels[name] for name in (by, *others)})
    return _fitted(frame, by, others, reference, agreement, level, len(taking_part))


def _is_kept(agreement: Agreement, name: str, level: int) -> bool:
    return set(agreement.hierarchy(name).levels[level].values()) != {ANY}


def _frame(members: Sequence[Member], agreement: Agreement, outcome: str, levels: Mapping[str, int]) -> pl.DataFrame:
    column = result_column(outcome)
    parts = []
    for number, member in enumerate(members):
        if member.cases is None:  # pragma: no cover - members without cases were left out before
            continue
        brought = [
            pl.col(name).replace_strict(coarser(agreement.hierarchy(name), member.levels[name], level))
            for name, level in levels.items()
        ]
        parts.append(
            member.cases.filter(pl.col(column).is_in([ADVERSE, NOT_ADVERSE])).select(
                *brought, (pl.col(column) == ADVERSE).alias(_OUTCOME), pl.lit(f"p{number:04}").alias(PRACTICE)
            )
        )
    return pl.concat(parts)


def _fitted(
    frame: pl.DataFrame,
    by: str,
    others: Sequence[str],
    reference: str,
    agreement: Agreement,
    level: float,
    practices: int,
) -> Adjusted:
    enough = _groups_with_enough(frame, by, agreement.minimum)
    if reference not in enough or len(enough) < 2:
        note = "No adjusted comparison: too few adverse cases, or too few others, in the groups."
        return Adjusted(practices=practices, notes=(note,))
    kept = frame.filter(pl.col(by).is_in(enough))
    others = [name for name in others if kept[name].n_unique() > 1]
    covariates = [Covariate(name=by, kind="category", reference=reference)]
    covariates += [Covariate(name=name, kind="category") for name in (*others, PRACTICE)]
    design = build_design(kept, covariates)
    fit = fit_or_fall_back(design.matrix, kept[_OUTCOME].cast(pl.Float64).to_numpy())
    ratios = {}
    for group in enough:
        name = f"{by}={group}"
        if group != reference and name in design.names:
            j = design.names.index(name)
            error = sqrt(float(fit.covariance[j, j]))
            ratios[group] = _ratio(group, reference, float(fit.coefficients[j]), error, level, kept.height, fit.method)
    return Adjusted(
        ratios=MappingProxyType(ratios),
        adjusted_for=(*others, PRACTICE),
        practices=practices,
        notes=design.warnings,
    )


def _groups_with_enough(frame: pl.DataFrame, by: str, minimum: int) -> list[str]:
    """Groups with at least ``minimum`` adverse and ``minimum`` other cases: fewer would say something of few."""
    counts = frame.group_by(by).agg(pl.col(_OUTCOME).sum().alias("adverse"), (~pl.col(_OUTCOME)).sum().alias("others"))
    return sorted(counts.filter((pl.col("adverse") >= minimum) & (pl.col("others") >= minimum))[by].to_list())


def _ratio(group: str, reference: str, log_odds: float, error: float, level: float, n: int, method: str) -> Figure:
    half = z_value(level) * error
    return Figure(
        name=f"adjusted odds ratio, {group} over {reference}",
        value=round(exp(log_odds), _DIGITS),
        low=round(exp(log_odds - half), _DIGITS),
        high=round(exp(log_odds + half), _DIGITS),
        level=level,
        method=f"{method}, Wald interval",
        n=n,
    )
