"""What was planned and what was looked at, as a whole: for the page that says how things are counted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from warehouse.plans.looks import FILE, read_looks
from warehouse.plans.planned_or_explored import folder_of
from warehouse.plans.plans import registered_plans
from warehouse.plans.question import Question

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from warehouse.marts.reader import Reader
    from warehouse.plans.looks import Look, LookRecord
    from warehouse.plans.plan import Plan, RegisteredPlan


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanOnRecord:
    """An audit plan and when its groups were looked at."""

    registered: RegisteredPlan  # The plan as registered
    # Whether its groups had been looked at on one of its outcomes, among whichever cases, before it was
    # registered. Where all groups are compared, any two groups of its grouping count.
    seen_before: bool
    seen_since: bool  # The same, after it was registered

    @property
    def sentence(self) -> str:
        """How far the plan came before the looking."""
        since = "Looked at since." if self.seen_since else "Not looked at since."
        if self.seen_before:
            return f"Registered after its groups had been looked at: read it as not planned in advance. {since}"
        return f"Planned: its groups had not been looked at when it was registered. {since}"


@dataclass(frozen=True, slots=True, kw_only=True)
class PlansAndLooks:
    """Every plan on record, and how much was looked at."""

    plans: tuple[PlanOnRecord, ...]  # In the order registered
    n_looks: int  # Times that someone looked at something new
    n_comparisons: int  # Different comparisons made
    n_analyses: int  # The same, counted anew for every other adjustment
    n_unplanned: int  # Comparisons of an outcome and a grouping that no plan names: certainly explored after
    first_look: str  # When the record begins (UTC); empty without a look. `last_look` likewise.
    last_look: str
    is_whole: bool  # Whether the record is unaltered, as far as can be told


def plans_and_looks(reader: Reader, *, mark: str = "") -> PlansAndLooks:
    """Plans and looks as they stand, without adding a look. It concerns no case.

    Args:
        reader: An open snapshot.
        mark: What :func:`record_mark` gave, for callers that keep answers: the record grows while a snapshot stays.
    """
    del mark
    plans = registered_plans(reader)
    record = read_looks(folder_of(reader), marks=[plan.digest_before for plan in plans])
    named = {(outcome, one.plan.by) for one in plans for outcome in one.plan.outcomes}
    unplanned = {key for look in record.looks if (look.outcome, look.by) not in named for key in look.comparisons}
    return PlansAndLooks(
        plans=tuple(_on_record(one, record) for one in plans),
        n_looks=len(record.looks),
        n_comparisons=record.n_comparisons,
        n_analyses=record.n_analyses,
        n_unplanned=len(unplanned),
        first_look=record.looks[0].at if record.looks else "",
        last_look=record.looks[-1].at if record.looks else "",
        is_whole=record.is_whole,
    )


def record_mark(folder: Path) -> str:
    """Characters that change whenever the record of looks in a warehouse folder does."""
    try:
        found = (folder / FILE).stat()
    except OSError:
        return "none"
    return f"{found.st_size}-{found.st_mtime_ns}"


def _on_record(registered: RegisteredPlan, record: LookRecord) -> PlanOnRecord:
    before, after = record.looks[: registered.looks_before], record.looks[registered.looks_before :]
    return PlanOnRecord(
        registered=registered,
        seen_before=_shows(before, registered.plan),
        seen_since=_shows(after, registered.plan),
    )


def _shows(looks: Iterable[Look], plan: Plan) -> bool:
    if not plan.is_pair:
        return any(look.by == plan.by and look.outcome in plan.outcomes for look in looks)
    contrasts = {
        Question(outcome=outcome, by=plan.by, first=plan.first, second=plan.second, selection=plan.cases).contrast
        for outcome in plan.outcomes
    }
    return any(contrasts & set(look.contrasts) for look in looks)
