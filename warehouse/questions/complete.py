"""Which two groups a report compares, and how many complete cases that leaves in each."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from warehouse.plans.plans import registered_plans
from warehouse.questions.contrast import compare_pair, usual_adjustment
from warehouse.questions.covariates import check_strata, default_strata
from warehouse.questions.group_names import group_label, is_known
from warehouse.questions.prepare import prepared_pair, two_group_frame

if TYPE_CHECKING:
    from warehouse.marts.reader import Reader
    from warehouse.questions.contrast import PairComparison
    from warehouse.questions.shares import Rates


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """Two groups to compare, and what is to be held alike."""

    first: str  # Code of the group whose excess is asked about
    second: str  # Code of the group it is compared with
    adjust: tuple[str, ...]  # Names of variables
    strata: tuple[str, ...]  # Columns of the strata


@dataclass(frozen=True, slots=True)
class Complete:
    """Complete cases of the two groups, and how many of them went adverse: first, second."""

    asked: Asked
    n: tuple[int, int]
    n_adverse: tuple[int, int]


def largest_pair(found: Rates) -> tuple[str, str] | None:
    """The second largest group by cases counted, and the largest one that it is compared with; None without two."""
    if found.by is None or found.by.column is None:
        return None
    filled = [group for group in found.groups if group.counted.n and is_known(group.group)]
    ordered = sorted(filled, key=lambda group: -group.counted.n)
    return (ordered[1].group, ordered[0].group) if len(ordered) > 1 else None


def asked_by(reader: Reader, found: Rates) -> Asked | None:
    """What a registered plan asks of this grouping and outcome, else the two largest groups; None without two."""
    if found.by is None or found.by.column is None:
        return None
    by, filled = found.by.name, {group.group for group in found.groups if group.counted.n}
    for registered in registered_plans(reader):
        plan = registered.plan
        if plan.by == by and found.definition.name in plan.outcomes and {plan.first, plan.second} <= filled:
            strata = plan.strata or default_strata(plan.adjust)
            return Asked(first=plan.first, second=plan.second, adjust=plan.adjust, strata=strata)
    pair = largest_pair(found)
    if pair is None:
        return None
    adjust = usual_adjustment(by)
    return Asked(first=pair[0], second=pair[1], adjust=adjust, strata=default_strata(adjust))


def compare_asked(reader: Reader, found: Rates, asked: Asked) -> PairComparison:
    """The comparison asked for, on the cases and under the definition of the shares found."""
    return compare_pair(
        reader,
        by=found.by.name if found.by else "",
        first=asked.first,
        second=asked.second,
        definition=found.definition.id,
        selection=found.selection,
        adjust=asked.adjust,
        strata=asked.strata,
    )


def complete_cases(reader: Reader, found: Rates, asked: Asked) -> Complete:
    """How many complete cases the comparison would use. Nothing is compared, so this is not a look at results."""
    way = found.by
    if way is None:  # pragma: no cover - only asked of groupings
        message = "complete cases of two groups need a grouping"
        raise TypeError(message)
    first, second = (group_label(reader, way, code) for code in (asked.first, asked.second))
    cases = two_group_frame(
        reader,
        by=way.name,
        codes=(asked.first, asked.second),
        labels=(first, second),
        definition=found.definition,
        selection=found.selection,
        adjust=asked.adjust,
        strata=[column for column in check_strata(asked.strata) if column != way.name],
    )
    pair = prepared_pair(cases, adjust=asked.adjust, level=found.level).pair
    sides = (pair.first, ~pair.first)
    return Complete(
        asked,
        n=(int(sides[0].sum()), int(sides[1].sum())),
        n_adverse=(int(pair.outcome[sides[0]].sum()), int(pair.outcome[sides[1]].sum())),
    )


def complete_in(result: PairComparison, asked: Asked) -> Complete:
    """The same of a comparison made already."""
    crude = result.method("crude")
    shares = [
        (share.n, round((share.value or 0.0) * share.n)) if share else (0, 0) for share in (crude.first, crude.second)
    ]
    (n1, x1), (n2, x2) = shares
    return Complete(asked, n=(n1, n2), n_adverse=(x1, x2))
