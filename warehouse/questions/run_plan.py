"""Carrying out an audit plan: the primary analysis, and every further comparison it lists, as one family."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

from warehouse.analysis.multiplicity import Comparisons, adjust_p_values
from warehouse.errors import RequestError
from warehouse.marts.grouping import GROUPINGS, in_order, is_known
from warehouse.marts.reader import Reader
from warehouse.plans.plan import Plan, RegisteredPlan, registered_plan
from warehouse.plans.planned_or_explored import Standing, stand
from warehouse.plans.question import Question
from warehouse.questions.contrast import PairComparison, compare_pair, compare_single
from warehouse.questions.groups import GroupComparison, compare_groups
from warehouse.results import Estimate
from warehouse.selection import FILTERS, Selection


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
    cases; where every group is compared with a reference, each group of each of these. Raises RequestError: there is no
    such plan, or a definition it names is in force in another version now.
    """
    registered = registered_plan(reader, identifier)
    plan = registered.plan
    definitions = [_in_force(reader, outcome) for outcome in plan.outcomes]
    main = plan.asks(definitions[0], plan.cases)
    family = tuple(_family(reader, plan, definitions))
    standing = stand(reader, [member.question for member in family])
    return PlanResult(
        registered=registered,
        main=compare_pair(reader, main) if plan.is_pair else compare_groups(reader, main),
        family=family,
        corrected=adjust_p_values(
            [member.p_value for member in family],
            names=[member.name for member in family],
            method=plan.correction,  # type: ignore[arg-type]
        ),
        standing=standing,
    )


def _in_force(reader: Reader, outcome: str) -> str:
    """The id of a definition that the plan names with its version."""
    found = reader.definition_settled(outcome)
    if found.name != outcome:
        message = f"the plan names {outcome}, and {found.name} is in force now"
        raise RequestError(message, remedy="register a new plan that names the definition in force")
    return found.id


def _family(reader: Reader, plan: Plan, definitions: list[str]) -> Iterator[PlannedComparison]:
    yield from _members(reader, plan, plan.asks(definitions[0], plan.cases), "all cases")
    for subgroup in plan.subgroups:
        for value in _values(reader, plan.cases, subgroup):
            asked = plan.asks(definitions[0], plan.subgroup(subgroup, value))
            yield from _members(reader, plan, asked, f"{subgroup.replace('_', ' ')} {value}")
    for definition in definitions[1:]:
        yield from _members(reader, plan, plan.asks(definition, plan.cases), "all cases")


def _members(reader: Reader, plan: Plan, asked: Question, where: str) -> Iterator[PlannedComparison]:
    if plan.is_pair:
        found = compare_single(reader, asked, limits=plan.limits)
        yield PlannedComparison(
            name=f"{asked.definition}, {where}",
            question=found.question,
            difference=found.answer.difference,
            p_value=found.answer.p_value,
            n=found.n,
        )
        return
    groups = compare_groups(reader, asked, is_recorded=False)
    labels = {group.group: group.label for group in groups.rates.groups}
    for code, two in groups.compared.items():
        yield PlannedComparison(
            name=f"{asked.definition}, {where}: {labels[code]} against {groups.reference_label}",
            question=replace(asked, definition=groups.rates.definition.name, first=code, second=groups.against),
            difference=two.difference,
            p_value=two.test.p_value,
            n=two.difference.n,
        )


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
