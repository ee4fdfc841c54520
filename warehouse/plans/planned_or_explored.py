"""Whether a comparison was planned before anyone looked, and how many comparisons were made."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from warehouse.plans.looks import read_looks, record_look
from warehouse.plans.plans import registered_plans

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from warehouse.marts.reader import Reader
    from warehouse.plans.looks import LookRecord
    from warehouse.plans.plan import RegisteredPlan
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

    Args:
        reader: The snapshot they are made on.
        questions: The comparisons of one result, all of one kind; none where there was nothing to compare.
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
