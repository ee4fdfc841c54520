"""How far a case came in the sampling frame, and what is said about it."""

from dataclasses import dataclass
from typing import Literal, TypeAlias

Stage: TypeAlias = Literal["started", "finished", "records", "readable", "counted"]

STAGES: dict[Stage, str] = {
    "started": "started",
    "finished": "reached the end",
    "records": "records at both times",
    "readable": "measure readable at both times",
    "counted": "counted",
}
"""Stages in order, with their names on screens."""


@dataclass(frozen=True, slots=True)
class Step:
    """Why a case is not counted: the last stage it reached, the reason, and whether it is due.

    Not due is what nobody failed to record: the case is still in treatment, or there is nothing to judge it by.
    """

    reached: Stage
    reason: str
    is_due: bool = True


STEPS: dict[str, Step] = {
    "counted": Step("counted", ""),
    "in_treatment": Step("started", "still in treatment", is_due=False),
    "stopped_early": Step("started", "stopped early"),
    "moved_away": Step("started", "moved away"),
    "no_return": Step("started", "did not return"),
    "no_start_records": Step("finished", "no records at the first time"),
    "no_finish_records": Step("finished", "no records at the second time"),
    "not_measured": Step("records", "the measure was read at neither time"),
    "not_readable_start": Step("records", "the measure was not read at the first time"),
    "not_readable_finish": Step("records", "the measure was not read at the second time"),
    "variant_differs": Step("records", "the measure was taken in different ways at the two times"),
    "not_asked": Step("records", "the question was not asked at both times"),
    "already_present": Step("records", "it was already present at the first time", is_due=False),
    "not_at_risk": Step("records", "it was of another type than the one that can change", is_due=False),
    "operated": Step("records", "the jaws were operated on, which is no growth", is_due=False),
    "interval_unknown": Step("readable", "the time between the records is not known"),
    "too_short": Step("readable", "the time between the records is shorter than the definition asks"),
    "no_expected": Step("readable", "the age at the records is not known, so that growth cannot be allowed for"),
    "no_reference": Step("readable", "there is no growth reference at this age", is_due=False),
}
"""Step of mart_outcomes -> what it means."""

LOST_STATUSES = ("in_treatment", "stopped_early", "moved_away", "no_return")
