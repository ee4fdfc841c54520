"""How many cases would settle it, from the practice's own rates, and how many months that takes at the present pace."""

from dataclasses import dataclass

from warehouse.analysis.planning import (
    MonthsNeeded,
    SampleSize,
    cases_for_precision,
    cases_per_group,
    months_needed,
    power_of_two_groups,
)
from warehouse.analysis.proportion import proportion
from warehouse.errors import RequestError
from warehouse.marts.grouping import group_label, grouping
from warehouse.marts.reader import Reader
from warehouse.plans.question import Question, Stamp, Stamped, stamp_of
from warehouse.questions.contrast import codes_of
from warehouse.questions.shares import rates
from warehouse.results import Estimate
from warehouse.store.quoting import statement

PACE_QUARTERS = 8
"""Quarters of starts behind the pace: the last two years that can have finished (common practice, no source)."""

QUARTER_MONTHS = 3
ALPHA = 0.05  # two-sided


@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """How fast cases become assessable."""

    per_month: float | None  # Cases a month; None where no quarter of start is recorded
    quarters: int  # Quarters looked at
    cases: int  # Assessed cases started in them
    until: str  # The last of these quarters


@dataclass(frozen=True, slots=True, kw_only=True)
class PrecisionPlan(Stamped):
    """Cases for one share to a wanted precision."""

    present: Estimate  # The share so far
    assumed: float | None  # The share planned with: the present one, or the one given
    half_width: float  # Wanted half-width
    needed: SampleSize | None  # Cases needed in all
    months: MonthsNeeded | None  # Months still needed
    pace: Pace  # The pace behind them


@dataclass(frozen=True, slots=True, kw_only=True)
class DifferencePlan(Stamped):
    """Cases to tell two groups apart."""

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
    reader: Reader, question: Question, *, half_width: float = 0.05, share: float | None = None
) -> PrecisionPlan:
    """Cases for an interval of plus or minus ``half_width`` at the practice's own share, or at ``share``.

    Raises RequestError: a number is impossible.
    """
    stamp, level = stamp_of(reader, question), question.level
    found = rates(reader, definition=stamp.definition.id, selection=stamp.selection, level=level)
    (group,) = found.groups
    assumed = share if share is not None else group.rate.value
    needed = None if assumed is None else cases_for_precision(assumed, half_width, level=level)
    pace = _pace(reader, stamp)
    return PrecisionPlan(
        stamp=stamp,
        present=group.rate,
        assumed=assumed,
        half_width=half_width,
        needed=needed,
        months=_months(needed, group.counted.n, pace),
        pace=pace,
    )


def plan_difference(
    reader: Reader, question: Question, *, shares: tuple[float | None, float | None] = (None, None), power: float = 0.8
) -> DifferencePlan:
    """Cases in each group to tell two shares apart: those given, else the groups' own so far.

    Planning with a difference just observed flatters it: a true difference is usually smaller. Give the smallest
    difference that would matter to you instead, where you can. Raises RequestError: a name does not exist or a number
    is impossible.
    """
    stamp, way, by = stamp_of(reader, question), grouping(question.by), question.by
    codes = codes_of(reader, question)
    found = rates(reader, by=by, definition=stamp.definition.id, selection=stamp.selection)
    groups = {group.group: group for group in found.groups}
    pair = [groups.get(code) for code in codes]
    present = [group.rate if group else proportion(0, 0) for group in pair]
    assumed = [given if given is not None else own.value for given, own in zip(shares, present, strict=True)]
    known = [share for share in assumed if share is not None]
    needed = cases_per_group(known[0], known[1], power=power, alpha=ALPHA) if len(known) == 2 else None
    paces = [_pace(reader, stamp, by=by, code=code) for code in codes]
    counts = [group.counted.n if group else 0 for group in pair]
    return DifferencePlan(
        stamp=stamp,
        labels=(group_label(reader, way, codes[0]), group_label(reader, way, codes[1])),
        present=(present[0], present[1]),
        assumed=(assumed[0], assumed[1]),
        needed=needed,
        power_now=power_of_two_groups(known[0], known[1], min(counts), alpha=ALPHA) if len(known) == 2 else None,
        months=(_months(needed, counts[0], paces[0]), _months(needed, counts[1], paces[1])),
        paces=(paces[0], paces[1]),
        power=power,
        alpha=ALPHA,
    )


def _months(needed: SampleSize | None, n_now: int, pace: Pace) -> MonthsNeeded | None:
    if needed is None or pace.per_month is None:
        return None
    return months_needed(needed, n_now, cases_per_month=pace.per_month)


def _pace(reader: Reader, stamp: Stamp, *, by: str = "", code: str = "") -> Pace:
    """Assessed cases a month over the last quarters of start in which most cases are through.

    The last quarters before the newest one in which no more than half of the cases are still in treatment are used:
    counting later starts would make the pace look slower than it is.
    """
    condition, values = stamp.selection.where()
    everyone = _starts(reader, stamp, condition, values)
    through = [quarter for quarter, _, going in everyone if going <= 0.5]
    if by:
        way = grouping(by)
        if way.column is None:
            found = f"a pace cannot be told by {by}, where a case can be in several groups"
            raise RequestError(found, expected="a grouping in which a case has one group")
        condition += f" and cast(mart_cases.{way.column} as varchar) = ?"
        everyone = _starts(reader, stamp, condition, [*values, code])
    if not through:
        return Pace(per_month=None, quarters=0, cases=0, until="")
    last = max(through)
    window = _quarters_until(last, PACE_QUARTERS)
    n = sum(int(counted) for quarter, counted, _ in everyone if quarter in window)
    return Pace(per_month=n / (PACE_QUARTERS * QUARTER_MONTHS), quarters=PACE_QUARTERS, cases=n, until=last)


def _starts(reader: Reader, stamp: Stamp, condition: str, values: list[object]) -> list[tuple[str, int, float]]:
    query = statement(__package__, "starts.sql", condition=condition)
    return reader.connection.rows(query, [stamp.definition.id, *values])


def _quarters_until(last: str, n: int) -> list[str]:
    """The ``n`` quarters that end with ``last``, written like ``2024-Q1``."""
    year, quarter = int(last[:4]), int(last[-1])
    index = 4 * year + quarter - 1
    return [f"{place // 4:04d}-Q{place % 4 + 1}" for place in range(index - n + 1, index + 1)]
