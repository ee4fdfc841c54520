"""Share adverse against the threshold: how much the answer hangs on the definition's number."""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from warehouse.analysis.proportion import proportion
from warehouse.marts.grouping import Grouping, group_expression, membership_join
from warehouse.marts.outcome_sql import outcomes_of
from warehouse.marts.reader import Reader
from warehouse.outcomes.definition import ChangePart, Definition
from warehouse.results import Caution, Estimate
from warehouse.selection import Selection
from warehouse.store.quoting import statement

GRID = tuple(quarter / 4 for quarter in range(21))  # thresholds from 0 to 5 in steps of a quarter


@dataclass(frozen=True, slots=True)
class ThresholdPoint:
    """The share adverse had the threshold been this one."""

    threshold: float
    n_adverse: int
    rate: Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class ThresholdCurve:
    """The share adverse over a range of thresholds, and the one in force."""

    definition: Definition  # The definition whose threshold is moved
    part: ChangePart | None  # Its change part; None where the definition has several parts, and then there is no curve
    points: tuple[ThresholdPoint, ...]  # One a threshold, ascending
    n: int  # Cases counted
    cautions: tuple[Caution, ...]  # What to keep in mind


def counted_changes(
    reader: Reader, definition: Definition, selection: Selection, *, way: Grouping | None = None
) -> pl.DataFrame:
    """One row a counted case: ``value``, larger is worse, ``is_adverse``, ``is_favourable``, with a way ``grouped``.

    No row where the definition has several parts, and so no single change.
    """
    condition, parameters = selection.where()
    part = definition.single_change
    query = statement(
        __package__,
        "counted_changes.sql",
        sign="-1" if part is not None and part.direction == "fall" else "1",
        grouped=f", {group_expression(way)} as grouped" if way else "",
        outcomes=outcomes_of(definition),
        memberships=membership_join(way) if way else "",
        condition=condition if part is not None else f"{condition} and false",
    )
    return reader.connection.frame(query, parameters)


def threshold_curve(
    reader: Reader,
    *,
    definition: str | None = None,
    selection: Selection | None = None,
    changes: pl.DataFrame | None = None,
) -> ThresholdCurve:
    """Share of cases at or beyond each threshold, with its Wilson interval.

    The margin for measuring error that a definition may ask for is left out here: the curve shows the threshold's
    part alone, so at the threshold in force it may lie above the headline rate. ``changes`` are the counted changes
    where they have been read already.
    """
    chosen = reader.definition(definition)
    part = chosen.single_change
    found = counted_changes(reader, chosen, selection or Selection()) if changes is None else changes
    values = np.sort(found["value"].to_numpy())
    points = tuple(_point(threshold, values) for threshold in GRID) if part else ()
    return ThresholdCurve(definition=chosen, part=part, points=points, n=values.size, cautions=_cautions(chosen, part))


def _point(threshold: float, ascending: NDArray[np.float64]) -> ThresholdPoint:
    n_adverse = ascending.size - int(np.searchsorted(ascending, threshold, side="left"))
    return ThresholdPoint(threshold, n_adverse, proportion(n_adverse, ascending.size))


def _cautions(definition: Definition, part: ChangePart | None) -> tuple[Caution, ...]:
    if part is None:
        return (Caution("no_data", "no_single_threshold", {"name": definition.name}),)
    if part.beyond_error == "never":
        return ()
    return (Caution("approximation", "error_margin_left_out"),)
