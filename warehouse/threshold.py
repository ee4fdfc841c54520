"""Share adverse against the threshold: how much the answer hangs on the definition's number."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass
from typing import TYPE_CHECKING

from warehouse.analysis.proportion import proportion
from warehouse.results import Caution
from warehouse.selection import Selection

if TYPE_CHECKING:
    from collections.abc import Sequence

    from warehouse.outcomes.definition import ChangePart, Definition
    from warehouse.reader import Reader
    from warehouse.results import Estimate

GRID = tuple(quarter / 4 for quarter in range(21))
"""Thresholds from 0 to 5 in steps of a quarter."""


@dataclass(frozen=True, slots=True)
class ThresholdPoint:
    """The share adverse had the threshold been this one."""

    threshold: float
    n_adverse: int
    rate: Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class ThresholdCurve:
    """The share adverse over a range of thresholds, and the one in force.

    Attributes:
        definition: The definition whose threshold is moved.
        part: Its change part; None where the definition has several parts, and then there is no curve.
        points: One a threshold, ascending.
        n: Cases counted.
        cautions: What to keep in mind.
    """

    definition: Definition
    part: ChangePart | None
    points: tuple[ThresholdPoint, ...]
    n: int
    cautions: tuple[Caution, ...]


def counted_values(reader: Reader, definition: Definition, selection: Selection) -> list[float]:
    """The quantity compared with the threshold, for every case counted, signed so that a larger one is worse."""
    part = definition.single_change
    if part is None:
        return []
    condition, values = selection.where()
    rows = reader.connection.rows(
        "select mart_outcomes.value from mart_outcomes"
        " inner join mart_cases on mart_cases.case_no = mart_outcomes.case_no"
        f" where mart_outcomes.definition_id = ? and mart_outcomes.value is not null and {condition}",
        [definition.id, *values],
    )
    sign = 1.0 if part.direction == "rise" else -1.0
    return [sign * value for (value,) in rows]


def threshold_curve(
    reader: Reader,
    *,
    definition: str | None = None,
    selection: Selection | None = None,
    grid: Sequence[float] = GRID,
    level: float = 0.95,
) -> ThresholdCurve:
    """Share of cases at or beyond each threshold, with its Wilson interval.

    The margin for measuring error that a definition may ask for is left out here: the curve shows the threshold's
    part alone, so at the threshold in force it may lie above the headline rate.
    """
    chosen = reader.definition(definition)
    part = chosen.single_change
    values = sorted(counted_values(reader, chosen, selection or Selection()))
    points = tuple(_point(threshold, values, level) for threshold in grid) if part else ()
    return ThresholdCurve(definition=chosen, part=part, points=points, n=len(values), cautions=_cautions(chosen, part))


def _point(threshold: float, ascending: list[float], level: float) -> ThresholdPoint:
    n_adverse = len(ascending) - bisect_left(ascending, threshold)
    return ThresholdPoint(threshold, n_adverse, proportion(n_adverse, len(ascending), level=level))


def _cautions(definition: Definition, part: ChangePart | None) -> tuple[Caution, ...]:
    if part is None:
        text = f"{definition.name} is made of several parts, so there is no single threshold to move."
        return (Caution("no_data", text),)
    if part.beyond_error == "never":
        return ()
    text = "The margin for measuring error is left out of this picture, so that only the threshold moves."
    return (Caution("approximation", text),)
