"""Which two groups a report compares, and how many complete cases that leaves in each."""

from dataclasses import dataclass, replace

from warehouse.marts.grouping import is_known
from warehouse.marts.reader import Reader
from warehouse.plans.plan import registered_plans
from warehouse.plans.question import Question
from warehouse.questions.contrast import PairComparison, prepared_pair, two_group_frame, usual_adjustment, with_strata
from warehouse.questions.shares import Rates


@dataclass(frozen=True, slots=True)
class Complete:
    """Complete cases of the two groups, and how many of them went adverse: first, second."""

    asked: Question
    n: tuple[int, int]
    n_adverse: tuple[int, int]


def largest_pair(found: Rates) -> tuple[str, str] | None:
    """The second largest group by cases counted, and the largest one that it is compared with; None without two."""
    if found.by is None or found.by.column is None:
        return None
    filled = [group for group in found.groups if group.counted.n and is_known(group.group)]
    ordered = sorted(filled, key=lambda group: -group.counted.n)
    return (ordered[1].group, ordered[0].group) if len(ordered) > 1 else None


def asked_by(reader: Reader, found: Rates) -> Question | None:
    """What a registered plan asks of this grouping and outcome, else the two largest groups; None without two."""
    if found.by is None or found.by.column is None:
        return None
    by, filled = found.by.name, {group.group for group in found.groups if group.counted.n}
    same = Question(definition=found.definition.id, by=by, selection=found.selection, level=found.level)
    for registered in registered_plans(reader):
        plan = registered.plan
        if plan.by == by and found.definition.name in plan.outcomes and {plan.first, plan.second} <= filled:
            strata = plan.strata or None
            return with_strata(replace(same, first=plan.first, second=plan.second, adjust=plan.adjust, strata=strata))
    pair = largest_pair(found)
    if pair is None:
        return None
    return with_strata(
        replace(same, first=pair[0], second=pair[1], adjust=usual_adjustment(by, reader.usual_adjustment))
    )


def complete_cases(reader: Reader, found: Rates, asked: Question) -> Complete:
    """How many complete cases the comparison would use. Nothing is compared, so this is not a look at results."""
    cases = two_group_frame(reader, asked, found.definition)
    pair = prepared_pair(cases, adjust=asked.adjust or (), level=found.level).pair
    sides = (pair.first, ~pair.first)
    return Complete(
        asked,
        n=(int(sides[0].sum()), int(sides[1].sum())),
        n_adverse=(int(pair.outcome[sides[0]].sum()), int(pair.outcome[sides[1]].sum())),
    )


def complete_in(result: PairComparison, asked: Question) -> Complete:
    """The same of a comparison made already."""
    crude = result.method("crude")
    shares = [
        (share.n, round((share.value or 0.0) * share.n)) if share else (0, 0) for share in (crude.first, crude.second)
    ]
    (n1, x1), (n2, x2) = shares
    return Complete(asked, n=(n1, n2), n_adverse=(x1, x2))
