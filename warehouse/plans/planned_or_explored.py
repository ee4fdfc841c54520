"""Whether a comparison was planned before anyone looked, how many were made, and every plan and look as a whole."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from warehouse.marts.reader import Reader
from warehouse.plans.looks import FILE, Look, LookRecord, read_looks, record_look
from warehouse.plans.plan import Plan, RegisteredPlan, registered_plans
from warehouse.plans.question import Question

_SEEN = "These groups had been looked at on this outcome, among these or other cases, before the plan was registered."

Kind = Literal["planned", "planned after looking", "explored after"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """What a figure may claim."""

    # `planned`, `planned after looking` (listed in a plan that was registered when the comparison had been seen)
    # or `explored after`
    kind: Kind
    plan: RegisteredPlan | None  # The plan that lists it, or None
    note: str  # Why it is not simply planned, in one sentence; empty where it is
    n_comparisons: int  # Different comparisons made in this warehouse so far, this one among them
    n_analyses: int  # The same, counted anew for every other adjustment
    n_now: int  # Comparisons in this result
    is_whole: bool  # Whether the record of looks is unaltered, as far as can be told
    is_kept: bool  # Whether this look could be written down


def stand(reader: Reader, questions: Sequence[Question]) -> Standing:
    """Write down that these comparisons are being looked at, and say how they stand.

    ``reader``: the snapshot they are made on. ``questions``: the comparisons of one result, all of one kind; none where
    there was nothing to compare.
    """
    plans = registered_plans(reader)
    marks = [registered.digest_before for registered in plans]
    record = record_look(folder_of(reader), build=reader.snapshot.build_id, questions=questions, marks=marks)
    kind, plan, note = _judged(questions, plans, record)
    return Standing(
        kind=kind,
        plan=plan,
        note=note,
        n_comparisons=record.n_comparisons,
        n_analyses=record.n_analyses,
        n_now=len({question.comparison for question in questions}),
        is_whole=record.is_whole,
        is_kept=record.is_kept,
    )


def folder_of(reader: Reader) -> Path:
    """The warehouse folder a snapshot lies in."""
    return reader.snapshot.path.parent


def present_record(reader: Reader) -> LookRecord:
    """The record as it stands, without adding to it."""
    return read_looks(folder_of(reader), marks=[plan.digest_before for plan in registered_plans(reader)])


def _judged(
    questions: Sequence[Question], plans: Sequence[RegisteredPlan], record: LookRecord
) -> tuple[Kind, RegisteredPlan | None, str]:
    listing = [registered for registered in plans if questions and all(map(registered.plan.covers, questions))]
    if not listing:
        return "explored after", None, "It is in no audit plan."
    exact = [registered for registered in listing if all(map(registered.plan.adjusts_like, questions))]
    if not exact:
        note = f"Plan {listing[0].plan.id} lists this comparison with another adjustment."
        return "explored after", None, note
    first = min(exact, key=lambda registered: registered.registered_at)
    if not record.is_whole:
        note = "The record of looks was altered, so it cannot be shown that the plan came first."
        return "planned after looking", first, note
    if any(record.had_seen(question.contrast, within=first.looks_before) for question in questions):
        return "planned after looking", first, _SEEN
    return "planned", first, ""


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

    ``reader``: an open snapshot. ``mark``: what :func:`record_mark` gave, for callers that keep answers: the record
    grows while a snapshot stays.
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
        registered=registered, seen_before=_shows(before, registered.plan), seen_since=_shows(after, registered.plan)
    )


def _shows(looks: Iterable[Look], plan: Plan) -> bool:
    if not plan.is_pair:
        return any(look.by == plan.by and look.outcome in plan.outcomes for look in looks)
    contrasts = {plan.asks(outcome, plan.cases).contrast for outcome in plan.outcomes}
    return any(contrasts & set(look.contrasts) for look in looks)
