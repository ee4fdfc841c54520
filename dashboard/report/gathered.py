"""What a report is made from, before anything is hidden: read from the snapshot in one go.

Nothing here is handed to a page, slide or table. :mod:`dashboard.report.findings` decides what may be shown.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

from warehouse.analysis.change import mean_change
from warehouse.cases.case_dots import MeanCourse, mean_course
from warehouse.marts.grouping import Grouping
from warehouse.marts.reader import Reader
from warehouse.outcomes.definition import Definition
from warehouse.plans.question import Question
from warehouse.protected.counts import Counted
from warehouse.questions.complete import asked_by, complete_cases, complete_in
from warehouse.questions.contrast import PairComparison, compare_pair
from warehouse.questions.grouped_changes import changes_by
from warehouse.questions.shares import Rates, rates_by, rates_under
from warehouse.questions.spread import ChangePicture, change_picture
from warehouse.results import Estimate
from warehouse.selection import Selection


@dataclass(frozen=True, slots=True, kw_only=True)
class Gathered:
    """Results of one audit at one build, every count whole."""

    counted: Counted  # The headline share over all and by each comparison, and what it rests on
    untreated: Rates | None  # The same definition on the untreated comparison cases; None where there are none
    others: tuple[Rates, ...]  # The share under every other definition of the headline's family
    secondary: tuple[Rates, ...]  # The share under the definitions of other families
    changes: ChangePicture | None  # The changes behind the classes; None where the definition has several parts
    # Comparison -> group -> mean change; empty where there is no single change
    means: Mapping[str, Mapping[str, Estimate]]
    pairs: Mapping[str, PairComparison]  # Comparison -> two of its groups with what was recorded held alike
    course: MeanCourse | None  # Means from start to finish
    published_at: str  # When the build was published
    practices: tuple[str, ...]  # Pseudonyms of the practices in the warehouse


def counts_of_all(reader: Reader, definition: Definition, comparisons: tuple[str, ...]) -> Counted:
    """The counts that a document about all cases would give. Nothing is compared for it."""
    counted = Counted.read(reader, comparisons, definition=definition.id, beside=())
    complete = {name: complete_cases(reader, result, pair) for name, result, pair in _asked(reader, counted)}
    return replace(counted, complete=complete)


def _asked(reader: Reader, counted: Counted) -> list[tuple[str, Rates, Question]]:
    """Comparison, its shares, and the two groups that are compared in it."""
    pairs = [(result.by.name, result, asked_by(reader, result)) for result in counted.by if result.by is not None]
    return [(name, result, pair) for name, result, pair in pairs if pair is not None]


def gather(
    reader: Reader, *, selection: Selection, definition: str | None, comparisons: tuple[str, ...], beside: bool
) -> Gathered:
    """Everything a report needs about the cases selected, under one definition (the headline one where None).

    What stands beside a share is worked out for the headline and, where ``beside`` is True, for what else is shown.
    """
    of_whole = None if beside else (None,)
    counted = Counted.read(reader, comparisons, definition=definition, selection=selection, beside=of_whole)
    headline = counted.overall.definition
    listed = [other for other in reader.registry if other.id != headline.id]
    under = rates_under(reader, listed, (None,), selection=selection, beside=None if beside else ()) if listed else ()
    others = [other for (other,) in under]
    of_untreated = Selection(comparison="untreated")
    (untreated,) = rates_by(reader, (None,), definition=definition, selection=of_untreated, beside=())
    changes = change_picture(reader, definition=definition, selection=selection, changes=counted.values)
    asked = _asked(reader, counted)
    pairs = {name: compare_pair(reader, pair, tested=False) for name, _, pair in asked}
    return Gathered(
        counted=replace(counted, complete={name: complete_in(pairs[name], pair) for name, _, pair in asked}),
        untreated=untreated if untreated.groups[0].started.n else None,
        others=tuple(other for other in others if other.definition.family == headline.family),
        secondary=tuple(other for other in others if other.definition.family != headline.family),
        changes=changes,
        means={
            result.by.name: _means(reader, headline, selection, result.by, changes)
            for result in counted.by
            if result.by is not None
        },
        pairs=pairs,
        course=mean_course(reader, selection=selection, definition=definition),
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
