"""How many cases would settle it, from the practice's own rates, and how many months that takes at the present pace."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from warehouse.analysis.planning import (
    MonthsNeeded,
    SampleSize,
    cases_for_precision,
    cases_per_group,
    months_needed,
    power_of_two_groups,
)
from warehouse.errors import RequestError
from warehouse.marts.grouping import grouping
from warehouse.questions.contrast import codes_of
from warehouse.questions.group_names import group_label
from warehouse.questions.shares import rates
from warehouse.selection import Selection

if TYPE_CHECKING:
    from warehouse.marts.reader import Reader
    from warehouse.outcomes.definition import Definition
    from warehouse.questions.shares import GroupRow
    from warehouse.results import Estimate

PACE_QUARTERS = 8
"""Quarters of starts behind the pace: the last two years that can have finished (common practice, no source)."""

QUARTER_MONTHS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """How fast cases become assessable."""

    per_month: float | None  # Cases a month; None where no quarter of start is recorded
    quarters: int  # Quarters looked at
    cases: int  # Assessed cases started in them
    until: str  # The last of these quarters


@dataclass(frozen=True, slots=True, kw_only=True)
class PrecisionPlan:
    """Cases for one share to a wanted precision."""

    definition: Definition  # The outcome definition
    present: Estimate  # The share so far
    assumed: float | None  # The share planned with: the present one, or the one given
    half_width: float  # Wanted half-width
    needed: SampleSize | None  # Cases needed in all
    months: MonthsNeeded | None  # Months still needed
    pace: Pace  # The pace behind them


@dataclass(frozen=True, slots=True, kw_only=True)
class DifferencePlan:
    """Cases to tell two groups apart."""

    definition: Definition  # The outcome definition
    labels: tuple[str, str]  # Names of the two groups
    present: tuple[Estimate, Estimate]  # Shares so far
    assumed: tuple[float | None, float | None]  # The two shares planned with
    needed: SampleSize | None  # Cases needed in each group; None where a share is not known and none was given
    # Chance of telling the assumed shares apart with as many cases in each group as the smaller has
    power_now: float | None
    months: tuple[MonthsNeeded | None, MonthsNeeded | None]  # Months still needed, for each group
    paces: tuple[Pace, Pace]  # The pace of each group
    power: float  # Wanted chance
    alpha: float  # Two-sided error rate


def plan_precision(
    reader: Reader,
    *,
    half_width: float = 0.05,
    share: float | None = None,
    definition: str | None = None,
    selection: Selection | None = None,
    level: float = 0.95,
) -> PrecisionPlan:
    """Cases for an interval of plus or minus ``half_width`` at the practice's own share, or at ``share``.

    Raises:
        RequestError: A number is impossible.
    """
    selection = selection or Selection()
    found = rates(reader, definition=definition, selection=selection, level=level)
    (group,) = found.groups
    assumed = share if share is not None else group.rate.value
    needed = None if assumed is None else cases_for_precision(assumed, half_width, level=level)
    pace = _pace(reader, found.definition, selection)
    return PrecisionPlan(
        definition=found.definition,
        present=group.rate,
        assumed=assumed,
        half_width=half_width,
        needed=needed,
        months=_months(needed, group.counted.n, pace),
        pace=pace,
    )


def plan_difference(
    reader: Reader,
    *,
    by: str,
    first: str,
    second: str,
    shares: tuple[float | None, float | None] = (None, None),
    definition: str | None = None,
    selection: Selection | None = None,
    power: float = 0.8,
    alpha: float = 0.05,
) -> DifferencePlan:
    """Cases in each group to tell two shares apart: those given, else the groups' own so far.

    Planning with a difference just observed flatters it: a true difference is usually smaller. Give the smallest
    difference that would matter to you instead, where you can.

    Raises:
        RequestError: A name does not exist or a number is impossible.
    """
    way, selection = grouping(by), selection or Selection()
    codes = codes_of(reader, way, (first, second))
    found = rates(reader, by=by, definition=definition, selection=selection)
    groups = {group.group: group for group in found.groups}
    pair = [groups.get(code) for code in codes]
    assumed = tuple(given if given is not None else _own(group) for given, group in zip(shares, pair, strict=True))
    known = [share for share in assumed if share is not None]
    needed = cases_per_group(known[0], known[1], power=power, alpha=alpha) if len(known) == 2 else None
    paces = [_pace(reader, found.definition, selection, by=by, code=code) for code in codes]
    counts = [group.counted.n if group else 0 for group in pair]
    none = _no_rate(reader, found.definition)
    return DifferencePlan(
        definition=found.definition,
        labels=(group_label(reader, way, codes[0]), group_label(reader, way, codes[1])),
        present=(pair[0].rate if pair[0] else none, pair[1].rate if pair[1] else none),
        assumed=(assumed[0], assumed[1]),
        needed=needed,
        power_now=power_of_two_groups(known[0], known[1], min(counts), alpha=alpha) if len(known) == 2 else None,
        months=(_months(needed, counts[0], paces[0]), _months(needed, counts[1], paces[1])),
        paces=(paces[0], paces[1]),
        power=power,
        alpha=alpha,
    )


def _own(group: GroupRow | None) -> float | None:
    return group.rate.value if group else None


def _no_rate(reader: Reader, definition: Definition) -> Estimate:
    from warehouse.analysis.proportion import proportion

    return proportion(0, 0)


def _months(needed: SampleSize | None, n_now: int, pace: Pace) -> MonthsNeeded | None:
    if needed is None or pace.per_month is None:
        return None
    return months_needed(needed, n_now, cases_per_month=pace.per_month)


def _pace(reader: Reader, definition: Definition, selection: Selection, *, by: str = "", code: str = "") -> Pace:
    """Assessed cases a month over the last quarters of start in which most cases are through.

    The last quarters before the newest assessed case's are used: later starts are still in treatment, and counting
    them would make the pace look slower than it is.
    """
    condition, values = selection.where()
    if by:
        way = grouping(by)
        if way.column is None:
            found = f"a pace cannot be told by {by}, where a case can be in several groups"
            raise RequestError(found, expected="a grouping in which a case has one group")
        condition += f" and cast(mart_cases.{way.column} as varchar) = ?"
        values.append(code)
    rows = reader.connection.rows(
        "select mart_cases.start_quarter, count(*) from mart_cases"
        " inner join mart_outcomes on mart_outcomes.case_no = mart_cases.case_no"
        " where mart_outcomes.definition_id = ? and mart_outcomes.step = 'counted'"
        f" and mart_cases.start_quarter is not null and {condition} group by 1",
        [definition.id, *values],
    )
    counts = {quarter: int(n) for quarter, n in rows}
    last = _last_quarter(reader, definition, selection)
    if last is None:
        return Pace(per_month=None, quarters=0, cases=0, until="")
    window = _quarters_until(last, PACE_QUARTERS)
    n = sum(counts.get(quarter, 0) for quarter in window)
    return Pace(per_month=n / (PACE_QUARTERS * QUARTER_MONTHS), quarters=PACE_QUARTERS, cases=n, until=last)


def _last_quarter(reader: Reader, definition: Definition, selection: Selection) -> str | None:
    """The newest quarter of start in which no more than half of the cases are still in treatment."""
    condition, values = selection.where()
    found: str | None = reader.connection.value(
        "select max(start_quarter) from (select mart_cases.start_quarter,"
        " avg(case when mart_outcomes.step = 'in_treatment' then 1.0e0 else 0.0e0 end) as going from mart_cases"
        " inner join mart_outcomes on mart_outcomes.case_no = mart_cases.case_no"
        f" where mart_outcomes.definition_id = ? and mart_cases.start_quarter is not null and {condition}"
        " group by 1) as quarters where going <= 0.5e0",
        [definition.id, *values],
    )
    return found


def _quarters_until(last: str, n: int) -> list[str]:
    """The ``n`` quarters that end with ``last``, written like ``2024-Q1``."""
    year, quarter = int(last[:4]), int(last[-1])
    index = 4 * year + quarter - 1
    return [f"{place // 4:04d}-Q{place % 4 + 1}" for place in range(index - n + 1, index + 1)]
