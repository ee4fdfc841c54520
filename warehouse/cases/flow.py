"""The sampling frame: from every case started to the cases counted, with each loss and its reason."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from warehouse.marts.outcome_sql import outcomes_of
from warehouse.marts.steps import STAGES, STEPS
from warehouse.selection import Selection

if TYPE_CHECKING:
    from collections.abc import Mapping

    from warehouse.marts.reader import Reader
    from warehouse.outcomes.definition import Definition


@dataclass(frozen=True, slots=True)
class Loss:
    """Cases that went no further: why, how many, and whether their outcome is due yet."""

    reason: str
    n: int
    is_due: bool


@dataclass(frozen=True, slots=True)
class StageCount:
    """One stage of the frame: how many cases reached it, and what became of those that went no further."""

    name: str
    title: str
    n: int
    losses: tuple[Loss, ...]


@dataclass(frozen=True, slots=True)
class Flow:
    """The frame for one definition and one selection of cases."""

    stages: tuple[StageCount, ...]  # From started to counted
    n_turned_away: int  # Cases handed over that validation turned away; they are in no stage
    n_selected: int  # Selected (picked-out) cases left out of a frame of consecutive ones

    @property
    def n_missing_due(self) -> int:
        """Cases started whose outcome is due but not known."""
        return sum(loss.n for stage in self.stages for loss in stage.losses if loss.is_due)

    @property
    def n_not_due(self) -> int:
        """Cases whose outcome is not due yet."""
        return sum(loss.n for stage in self.stages for loss in stage.losses if not loss.is_due)


def stage_counts(steps: Mapping[str, int]) -> tuple[StageCount, ...]:
    """Stages from the number of cases at each step (step of mart_outcomes -> n)."""
    remaining = sum(steps.values())
    stages = []
    for stage, title in STAGES.items():
        losses = tuple(
            Loss(meaning.reason, steps[step], meaning.is_due)
            for step, meaning in STEPS.items()
            if meaning.reached == stage and step != "counted" and steps.get(step)
        )
        stages.append(StageCount(stage, title, remaining, losses))
        remaining -= sum(loss.n for loss in losses)
    return tuple(stages)


def sampling_frame(reader: Reader, definition: Definition, selection: Selection) -> Flow:
    """The frame of the cases selected, under the definition."""
    condition, values = selection.where()
    steps = dict(
        reader.connection.rows(
            f"select mart_outcomes.step, count(*) from {outcomes_of(definition)}"
            " inner join mart_cases on mart_cases.case_no = mart_outcomes.case_no"
            f" where {condition} group by mart_outcomes.step",
            values,
        )
    )
    return flow_of(reader, steps, selection)


def flow_of(reader: Reader, steps: Mapping[str, int], selection: Selection) -> Flow:
    """The frame from the number of cases at each step."""
    return Flow(stage_counts(steps), _turned_away(reader, selection), _selected(reader, selection))


def _turned_away(reader: Reader, selection: Selection) -> int:
    """Cases turned away. Of a filter, only the practice can be applied: the rest of a refused row is not known."""
    practices = selection.filters.get("practice", ())
    marks = ", ".join("?" for _ in practices)
    condition = f" where practice in ({marks})" if practices else ""
    found: int = reader.connection.value(
        f"select coalesce(sum(n_cases + n_rows_without_case), 0) from mart_turned_away_cases{condition}",
        list(practices),
    )
    return int(found)


def _selected(reader: Reader, selection: Selection) -> int:
    if selection.selection != "consecutive":
        return 0
    others = Selection(comparison=selection.comparison, selection="selected", filters=selection.filters)
    condition, values = others.where()
    found: int = reader.connection.value(f"select count(*) from mart_cases where {condition}", values)
    return found
