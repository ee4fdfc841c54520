"""Carrying out an audit plan: the primary analysis, and every further comparison it lists, as one family."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from warehouse.analysis.multiplicity import adjust_p_values
from warehouse.errors import RequestError
from warehouse.marts.grouping import GROUPINGS, in_order
from warehouse.plans.planned_or_explored import stand
from warehouse.plans.plans import registered_plan
from warehouse.plans.question import Question
from warehouse.questions.contrast import compare_pair
from warehouse.questions.covariates import ADJUSTABLE, default_strata
from warehouse.questions.group_names import is_known
from warehouse.questions.groups import compare_groups
from warehouse.questions.single import compare_single
from warehouse.selection import FILTERS

if TYPE_CHECKING:
    from collections.abc import Iterator

    from warehouse.analysis.multiplicity import Comparisons
    from warehouse.marts.reader import Reader
    from warehouse.outcomes.definition import Definition
    from warehouse.plans.plan import Plan, RegisteredPlan
    from warehouse.plans.planned_or_explored import Standing
    from warehouse.questions.contrast import PairComparison
    from warehouse.questions.groups import GroupComparison
    from warehouse.results import Estimate
    from warehouse.selection import Selection


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedComparison:
    """One comparison of the family."""

    name: str  # What it compares, in words
    question: Question  # What was asked
    difference: Estimate  # The difference by the primary analysis
    p_value: float | None  # Its p value; None where there is no test
    n: int  # Cases used


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanResult:
    """A plan carried out."""

    registered: RegisteredPlan  # The plan, as registered
    main: PairComparison | GroupComparison  # The primary comparison in full
    family: tuple[PlannedComparison, ...]  # Every comparison the plan lists, the primary one first
    corrected: Comparisons  # Their p values, corrected for their number as the plan says
    standing: Standing  # How the family as a whole stands


def run_plan(reader: Reader, identifier: str) -> PlanResult:
    """Carry out a registered plan on the snapshot.

    The family: the primary outcome over all the cases and in every subgroup, and each further outcome over all the
    cases; where every group is compared with a reference, each group of each of these.

    Raises:
        RequestError: There is no such plan, or a definition it names is in force in another version now.
    """
    registered = registered_plan(reader, identifier)
    plan = registered.plan
    definitions = [_definition(reader, outcome) for outcome in plan.outcomes]
    family = tuple(_family(reader, plan, definitions))
    standing = stand(reader, [member.question for member in family])
    return PlanResult(
        registered=registered,
        main=_main(reader, plan, definitions[0]),
        family=family,
        corrected=adjust_p_values(
            [member.p_value for member in family],
            names=[member.name for member in family],
            method=plan.correction,  # type: ignore[arg-type]
        ),
        standing=standing,
    )


def _definition(reader: Reader, outcome: str) -> Definition:
    found = reader.definition(outcome.split(" v")[0])
    if found.name != outcome:
        message = f"the plan names {outcome}, and {found.name} is in force now"
        raise RequestError(message, remedy="register a new plan that names the definition in force")
    return found


def _main(reader: Reader, plan: Plan, definition: Definition) -> PairComparison | GroupComparison:
    if not plan.is_pair:
        return compare_groups(
            reader,
            by=plan.by,
            definition=definition.id,
            selection=plan.cases,
            reference=plan.reference or None,
            level=plan.level,
        )
    return compare_pair(
        reader,
        by=plan.by,
        first=plan.first,
        second=plan.second,
        definition=definition.id,
        selection=plan.cases,
        adjust=plan.adjust,
        strata=_strata(plan),
        primary=plan.primary,
        level=plan.level,
    )


def _family(reader: Reader, plan: Plan, definitions: list[Definition]) -> Iterator[PlannedComparison]:
    yield from _members(reader, plan, definitions[0], plan.cases, "all cases")
    for subgroup in plan.subgroups:
        for value in _values(reader, plan.cases, subgroup):
            selection = plan.within(subgroup, value)
            yield from _members(reader, plan, definitions[0], selection, f"{subgroup.replace('_', ' ')} {value}")
    for definition in definitions[1:]:
        yield from _members(reader, plan, definition, plan.cases, "all cases")


def _members(
    reader: Reader, plan: Plan, definition: Definition, selection: Selection, where: str
) -> Iterator[PlannedComparison]:
    if plan.is_pair:
        yield _pair_member(reader, plan, definition, selection, where)
    else:
        yield from _group_members(reader, plan, definition, selection, where)


def _pair_member(
    reader: Reader, plan: Plan, definition: Definition, selection: Selection, where: str
) -> PlannedComparison:
    found = compare_single(
        reader,
        by=plan.by,
        codes=(plan.first, plan.second),
        definition=definition,
        selection=selection,
        adjust=plan.adjust,
        strata=_strata(plan),
        method=plan.primary,
        level=plan.level,
    )
    return PlannedComparison(
        name=f"{definition.id}, {where}",
        question=found.question,
        difference=found.answer.difference,
        p_value=found.answer.p_value,
        n=found.n,
    )


def _group_members(
    reader: Reader, plan: Plan, definition: Definition, selection: Selection, where: str
) -> Iterator[PlannedComparison]:
    found = compare_groups(
        reader,
        by=plan.by,
        definition=definition.id,
        selection=selection,
        reference=plan.reference or None,
        level=plan.level,
        is_recorded=False,
    )
    labels = {group.group: group.label for group in found.rates.groups}
    for code, two in found.compared.items():
        yield PlannedComparison(
            name=f"{definition.id}, {where}: {labels[code]} against {found.reference_label}",
            question=Question(
                outcome=definition.name, by=plan.by, first=code, second=found.against, selection=selection
            ),
            difference=two.difference,
            p_value=two.test.p_value,
            n=two.difference.n,
        )


def _strata(plan: Plan) -> tuple[str, ...]:
    own = {plan.by, *(item.name for item in ADJUSTABLE.values() if item.banded == plan.by)}
    return tuple(column for column in plan.strata or default_strata(plan.adjust) if column not in own)


def _values(reader: Reader, selection: Selection, subgroup: str) -> list[str]:
    """Values of a filter among the cases meant, without those where it is not known."""
    condition, parameters = selection.where()
    rows = reader.connection.rows(
        f"select distinct cast(mart_cases.{FILTERS[subgroup]} as varchar) as value from mart_cases"
        f" where {condition} order by value",
        parameters,
    )
    found = [value for (value,) in rows if value is not None and is_known(value)]
    way = next((way for way in GROUPINGS.values() if way.column == FILTERS[subgroup]), None)
    return in_order(way, dict.fromkeys(found, 0)) if way else found
