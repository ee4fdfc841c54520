"""The sampling frame: from every case started to the cases counted, with each loss and its reason."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from warehouse.disclosure import Count
from warehouse.marts.reader import Reader
from warehouse.marts.steps import STAGES, STEPS
from warehouse.selection import SET_APART, Selection


@dataclass(frozen=True, slots=True)
class Loss:
    """Cases that went no further: why, how many, and whether their outcome is due yet."""

    reason: str
    cases: Count
    is_due: bool


@dataclass(frozen=True, slots=True)
class StageCount:
    """One stage of the frame: how many cases reached it, and what became of those that went no further."""

    name: str
    title: str
    cases: Count
    losses: tuple[Loss, ...]
    fewer: int | None  # How many went no further; None where that is hidden


@dataclass(frozen=True, slots=True)
class Flow:
    """The frame for one definition and one selection of cases."""

    stages: tuple[StageCount, ...]  # From started to counted
    turned_away: Count  # Cases handed over that validation turned away; they are in no stage
    selected: Count  # Selected (picked-out) cases left out of a frame of consecutive ones
    not_due: Count  # Cases whose outcome is not due yet
    set_apart: Count  # Cases with a cleft or a syndrome, left out unless asked for
    no_reference: Count  # Cases of an age at which there is no growth reference: in no share, and not missing


def stage_counts(steps: Mapping[str, int]) -> tuple[StageCount, ...]:
    """Stages from the number of cases at each step (step of mart_outcomes -> n)."""
    remaining = sum(steps.values())
    stages = []
    for stage, title in STAGES.items():
        losses = tuple(
            Loss(meaning.reason, Count.of(steps[step]), meaning.is_due)
            for step, meaning in STEPS.items()
            if meaning.reached == stage and step != "counted" and steps.get(step)
        )
        fewer = sum(loss.cases.n for loss in losses)
        stages.append(StageCount(stage, title, Count.of(remaining), losses, fewer))
        remaining -= fewer
    return tuple(stages)


def flows_of(reader: Reader, counts: Iterable[Mapping[str, int]], selection: Selection) -> list[Flow]:
    """The frame under each of some definitions, from the numbers of cases at each step."""
    hand_picked, set_apart = map(Count.of, _left_out(reader, selection))
    turned_away = Count.of(turned_away_cases(reader, selection.filters.get("practice", ())))
    return [
        Flow(
            stage_counts(steps),
            turned_away,
            hand_picked,
            Count.of(steps.get("in_treatment", 0)),
            set_apart,
            Count.of(steps.get("no_reference", 0)),
        )
        for steps in counts
    ]


def turned_away_cases(reader: Reader, practices: Sequence[str] = ()) -> int:
    """Cases turned away, of these practices or all. Nothing else of a refused row is known to choose them by."""
    marks = ", ".join("?" for _ in practices)
    condition = f" where practice in ({marks})" if practices else ""
    n: int = reader.connection.value(
        f"select coalesce(sum(n_cases + n_rows_without_case), 0) from mart_turned_away_cases{condition}",
        list(practices),
    )
    return int(n)


def _left_out(reader: Reader, selection: Selection) -> tuple[int, int]:
    """Hand-picked cases, and those with a cleft or a syndrome, where these are not asked for."""
    picked = Selection(comparison=selection.comparison, selection="selected", filters=selection.filters)
    apart = replace(selection, filters={**selection.filters, SET_APART: ("cleft", "syndrome", "both")})
    asked = [selection.is_sample, not selection.filters.get(SET_APART)]
    both = [one.where() if is_asked else ("false", []) for one, is_asked in zip((picked, apart), asked, strict=True)]
    sums = ", ".join(f"coalesce(sum(case when {condition} then 1 else 0 end), 0)" for condition, _ in both)
    values = [value for _, given in both for value in given]
    ((n_picked, n_apart),) = reader.connection.rows(f"select {sums} from mart_cases", values)
    return int(n_picked), int(n_apart)
