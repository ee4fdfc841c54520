"""What a report says: one set of results that every page, slide and table is made from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from warehouse.rates import Rates, rates
from warehouse.reader import Reader
from warehouse.selection import Selection
from warehouse.threshold import ThresholdCurve, threshold_curve

if TYPE_CHECKING:
    from pathlib import Path

    from warehouse.outcomes.definition import Definition

COMPARISONS = ("appliance_category", "age_band", "extraction")


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings:
    """Results of one audit at one build.

    Attributes:
        overall: The headline rate.
        untreated: The same definition on the untreated comparison cases, if there are any.
        by: One result a comparison.
        others: The headline rate under every other definition of the same family.
        secondary: The rate under the definitions of the other families.
        threshold: The share against the threshold.
        published_at: When the build was published.
        practices: Pseudonyms in the warehouse.
    """

    overall: Rates
    untreated: Rates | None
    by: tuple[Rates, ...]
    others: tuple[Rates, ...]
    secondary: tuple[Rates, ...]
    threshold: ThresholdCurve
    published_at: str
    practices: tuple[str, ...]

    @property
    def definition(self) -> Definition:
        """The definition on the headline."""
        return self.overall.definition

    @property
    def family(self) -> tuple[Rates, ...]:
        """The headline rate under its own definition, then under the others of the family."""
        return (self.overall, *self.others)


def findings(
    folder: Path,
    *,
    key: str | None = None,
    definition: str | None = None,
    comparisons: tuple[str, ...] = COMPARISONS,
    selection: Selection | None = None,
) -> Findings:
    """Everything a report needs, read from the published snapshot in one go."""
    selection = selection or Selection()
    with Reader.open(folder, key=key) as reader:
        overall = rates(reader, definition=definition, selection=selection)
        others = [other for other in reader.registry if other.id != overall.definition.id]
        family = overall.definition.family
        untreated = rates(reader, definition=definition, selection=Selection(comparison="untreated"))
        return Findings(
            overall=overall,
            untreated=untreated if untreated.groups[0].n_started else None,
            by=tuple(rates(reader, by=by, definition=definition, selection=selection) for by in comparisons),
            others=tuple(
                rates(reader, definition=other.id, selection=selection) for other in others if other.family == family
            ),
            secondary=tuple(
                rates(reader, definition=other.id, selection=selection) for other in others if other.family != family
            ),
            threshold=threshold_curve(reader, definition=definition, selection=selection),
            published_at=reader.snapshot.published_at,
            practices=reader.practices,
        )
