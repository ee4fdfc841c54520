"""What a report is made from, before anything is hidden: read from the snapshot in one go.

Nothing here is handed to a page, slide or table. :mod:`dashboard.report.findings` decides what may be shown.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from warehouse.analysis.change import mean_change
from warehouse.change_picture import ChangePicture, change_picture
from warehouse.grouping import group_expression, membership_join
from warehouse.rates import Rates, rates
from warehouse.selection import Selection
from warehouse.threshold import ThresholdCurve, threshold_curve

if TYPE_CHECKING:
    from collections.abc import Mapping

    import polars as pl

    from warehouse.grouping import Grouping
    from warehouse.outcomes.definition import Definition
    from warehouse.reader import Reader
    from warehouse.results import Estimate

COMPARISONS = ("appliance_category", "age_band", "extraction")


@dataclass(frozen=True, slots=True, kw_only=True)
class Gathered:
    """Results of one audit at one build, every count whole.

    Attributes:
        overall: The headline share.
        untreated: The same definition on the untreated comparison cases; None where there are none.
        by: One result a comparison.
        others: The share under every other definition of the headline's family.
        secondary: The share under the definitions of other families.
        threshold: The share against the threshold.
        changes: The changes behind the classes; None where the definition has several parts.
        means: Comparison -> group -> mean change; empty where there is no single change.
        values: One row a counted case: ``value`` (larger is worse) and ``is_adverse``; no row without a single change.
        published_at: When the build was published.
        practices: Pseudonyms of the practices in the warehouse.
    """

    overall: Rates
    untreated: Rates | None
    by: tuple[Rates, ...]
    others: tuple[Rates, ...]
    secondary: tuple[Rates, ...]
    threshold: ThresholdCurve
    changes: ChangePicture | None
    means: Mapping[str, Mapping[str, Estimate]]
    values: pl.DataFrame
    published_at: str
    practices: tuple[str, ...]


def gather(
    reader: Reader,
    *,
    selection: Selection,
    definition: str | None = None,
    comparisons: tuple[str, ...] = COMPARISONS,
) -> Gathered:
    """Everything a report needs about the cases selected, under one definition (the headline one where None)."""
    overall = rates(reader, definition=definition, selection=selection)
    others = [
        rates(reader, definition=other.id, selection=selection)
        for other in reader.registry
        if other.id != overall.definition.id
    ]
    family = overall.definition.family
    untreated = rates(reader, definition=definition, selection=Selection(comparison="untreated"))
    by = tuple(rates(reader, by=name, definition=definition, selection=selection) for name in comparisons)
    changes = change_picture(reader, definition=definition, selection=selection)
    ways = [result.by for result in by if result.by is not None]
    return Gathered(
        overall=overall,
        untreated=untreated if untreated.groups[0].n_started else None,
        by=by,
        others=tuple(other for other in others if other.definition.family == family),
        secondary=tuple(other for other in others if other.definition.family != family),
        threshold=threshold_curve(reader, definition=definition, selection=selection),
        changes=changes,
        means={way.name: _means(reader, overall.definition, selection, way, changes) for way in ways},
        values=_values(reader, overall.definition, selection),
        published_at=reader.snapshot.published_at,
        practices=selection.filters.get("practice") or reader.practices,
    )


def _values(
    reader: Reader, definition: Definition, selection: Selection, *, grouped: str = "''", join: str = ""
) -> pl.DataFrame:
    condition, parameters = selection.where()
    part = definition.single_change
    sign = -1 if part is not None and part.direction == "fall" else 1
    none = "" if part is not None else " and false"
    return reader.connection.frame(
        f"select {grouped} as grouped, {sign} * mart_outcomes.value as value,"
        " mart_outcomes.status = 'adverse' as is_adverse"
        " from mart_outcomes inner join mart_cases on mart_cases.case_no = mart_outcomes.case_no"
        f"{join} where mart_outcomes.definition_id = ? and mart_outcomes.value is not null and {condition}{none}",
        [definition.id, *parameters],
    )


def _means(
    reader: Reader, definition: Definition, selection: Selection, way: Grouping, changes: ChangePicture | None
) -> Mapping[str, Estimate]:
    if changes is None:
        return {}
    frame = _values(reader, definition, selection, grouped=group_expression(way), join=membership_join(way))
    return {
        str(group): mean_change(rows["value"].to_numpy(), unit=changes.unit)
        for (group,), rows in frame.group_by("grouped")
    }
