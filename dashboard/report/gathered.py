"""What a report is made from, before anything is hidden: read from the snapshot in one go.

Nothing here is handed to a page, slide or table. :mod:`dashboard.report.findings` decides what may be shown.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from warehouse.analysis.change import mean_change
from warehouse.protected.counts import Counted
from warehouse.questions.complete import Complete, asked_by, compare_asked, complete_cases, complete_in
from warehouse.questions.grouped_changes import changes_by
from warehouse.questions.shares import Rates, rates, rates_by
from warehouse.questions.spread import ChangePicture, change_picture
from warehouse.questions.threshold import ThresholdCurve, counted_changes, threshold_curve
from warehouse.selection import Selection

if TYPE_CHECKING:
    from collections.abc import Mapping

    import polars as pl

    from warehouse.marts.grouping import Grouping
    from warehouse.marts.reader import Reader
    from warehouse.outcomes.definition import Definition
    from warehouse.questions.contrast import PairComparison
    from warehouse.results import Estimate

COMPARISONS = ("appliance_category", "age_band", "extraction")


@dataclass(frozen=True, slots=True, kw_only=True)
class Gathered:
    """Results of one audit at one build, every count whole."""

    overall: Rates  # The headline share
    untreated: Rates | None  # The same definition on the untreated comparison cases; None where there are none
    by: tuple[Rates, ...]  # One result a comparison
    others: tuple[Rates, ...]  # The share under every other definition of the headline's family
    secondary: tuple[Rates, ...]  # The share under the definitions of other families
    threshold: ThresholdCurve  # The share against the threshold
    changes: ChangePicture | None  # The changes behind the classes; None where the definition has several parts
    # Comparison -> group -> mean change; empty where there is no single change
    means: Mapping[str, Mapping[str, Estimate]]
    # Comparison -> two of its groups with what was recorded held alike; `complete` their complete cases
    pairs: Mapping[str, PairComparison]
    complete: Mapping[str, Complete]
    # One row a counted case: `value` (larger is worse) and `is_adverse`; no row without a single change
    values: pl.DataFrame
    published_at: str  # When the build was published
    practices: tuple[str, ...]  # Pseudonyms of the practices in the warehouse

    @property
    def counted(self) -> Counted:
        """The counts of the headline's cases."""
        return Counted(
            overall=self.overall, by=self.by, threshold=self.threshold, values=self.values, complete=self.complete
        )


def counts_of_all(reader: Reader, definition: Definition, comparisons: tuple[str, ...]) -> Counted:
    """The counts that a document about all cases would give. Nothing is compared for it."""
    overall, *by = rates_by(reader, (None, *comparisons), definition=definition.id)
    values = counted_changes(reader, definition, overall.selection)
    asked = {result.by.name: (result, asked_by(reader, result)) for result in by if result.by is not None}
    return Counted(
        overall=overall,
        by=tuple(by),
        threshold=threshold_curve(reader, definition=definition.id, changes=values),
        values=values,
        complete={name: complete_cases(reader, result, pair) for name, (result, pair) in asked.items() if pair},
    )


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
    by = rates_by(reader, comparisons, definition=definition, selection=selection)
    values = counted_changes(reader, overall.definition, selection)
    changes = change_picture(reader, definition=definition, selection=selection, changes=values)
    asked = {result.by.name: (result, asked_by(reader, result)) for result in by if result.by is not None}
    pairs = {name: compare_asked(reader, result, pair) for name, (result, pair) in asked.items() if pair}
    ways = [result.by for result in by if result.by is not None]
    return Gathered(
        overall=overall,
        untreated=untreated if untreated.groups[0].started.n else None,
        by=by,
        others=tuple(other for other in others if other.definition.family == family),
        secondary=tuple(other for other in others if other.definition.family != family),
        threshold=threshold_curve(reader, definition=definition, selection=selection, changes=values),
        changes=changes,
        means={way.name: _means(reader, overall.definition, selection, way, changes) for way in ways},
        pairs=pairs,
        complete={name: complete_in(pairs[name], pair) for name, (_, pair) in asked.items() if pair},
        values=values,
        published_at=reader.snapshot.published_at,
        practices=selection.filters.get("practice") or reader.practices,
    )


def _means(
    reader: Reader, definition: Definition, selection: Selection, way: Grouping, changes: ChangePicture | None
) -> Mapping[str, Estimate]:
    if changes is None or changes.part is None:
        return {}
    changed = changes_by(reader, definition, selection, way)
    return {group: mean_change(values, unit=changes.unit) for group, values in changed.items()}
