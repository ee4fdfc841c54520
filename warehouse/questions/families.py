"""The same comparison on every outcome: the headline family first, the others as secondary."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from warehouse.analysis.multiplicity import adjust_p_values
from warehouse.plans.planned_or_explored import stand
from warehouse.questions.contrast import usual_adjustment
from warehouse.questions.covariates import default_strata
from warehouse.questions.single import SingleComparison, compare_single
from warehouse.selection import Selection

if TYPE_CHECKING:
    from collections.abc import Sequence

    from warehouse.analysis.multiplicity import Comparisons
    from warehouse.marts.reader import Reader
    from warehouse.plans.planned_or_explored import Standing


@dataclass(frozen=True, slots=True, kw_only=True)
class AllOutcomes:
    """Two groups compared on every outcome definition in force."""

    build: str  # The build read
    selection: Selection  # Which cases
    method: str  # The method beside the crude one
    headline: str  # The headline definition's id; outcomes of other families are secondary
    rows: tuple[SingleComparison, ...]  # One an outcome, those of the headline's family first
    secondary: tuple[bool, ...]  # Of `rows`, whether each is of another family than the headline
    corrected: Comparisons  # P values, corrected for the number of outcomes
    standing: Standing  # Planned or explored
    adjusted_for: tuple[str, ...]  # What is adjusted for, names
    level: float  # Level of the intervals


def compare_all_outcomes(
    reader: Reader,
    *,
    by: str,
    first: str,
    second: str,
    definition: str | None = None,
    selection: Selection | None = None,
    adjust: Sequence[str] | None = None,
    method: str = "overlap",
    level: float = 0.95,
) -> AllOutcomes:
    """Compare two groups on every outcome by the crude method and one other.

    Args:
        reader: An open snapshot.
        by: Name of a grouping.
        first: Code of one group.
        second: Code of the other.
        definition: Id of the definition whose family counts as the headline's; the one in force where None.
        selection: Which cases; consecutive treated ones where None.
        adjust: Names of variables; the usual ones where None.
        method: The method beside the crude one.
        level: Level of the intervals.

    Raises:
        RequestError: A name does not exist.
    """
    headline, selection = reader.definition(definition), selection or Selection()
    wanted = tuple(adjust) if adjust is not None else usual_adjustment(by)
    listed = sorted(reader.registry, key=lambda one: one.family != headline.family)
    rows = tuple(
        compare_single(
            reader,
            by=by,
            codes=(first, second),
            definition=one,
            selection=selection,
            adjust=wanted,
            strata=[column for column in default_strata(wanted) if column != by],
            method=method,
            level=level,
        )
        for one in listed
    )
    return AllOutcomes(
        build=reader.snapshot.build_id,
        selection=selection,
        method=method,
        headline=headline.id,
        rows=rows,
        secondary=tuple(one.family != headline.family for one in listed),
        corrected=adjust_p_values([row.answer.p_value for row in rows], names=[row.definition.id for row in rows]),
        standing=stand(reader, [row.question for row in rows]),
        adjusted_for=wanted,
        level=level,
    )
