"""The whole answer for one choice of cases and definition: the share, and all that tells how firm it is."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from warehouse.cases.filter_values import relief
from warehouse.marts.reader import Reader
from warehouse.questions.shares import GroupRow, Rates, rates, rates_by, untreated_alike
from warehouse.questions.spread import ChangePicture, change_picture
from warehouse.questions.threshold import ThresholdCurve, counted_changes, threshold_curve
from warehouse.selection import Selection

COMPARISONS = ("appliance_category", "age_band", "extraction")  # the three groupings people ask about first

YEARS = "start_year"


@dataclass(frozen=True, slots=True, kw_only=True)
class Outline:
    """The share alone, with nothing beside it, for pages about something else."""

    overall: Rates  # The share, with its one group
    relief: Mapping[str, int]  # For an empty selection: filter -> cases there would be without it
    published_at: str  # When the build was published

    @property
    def group(self) -> GroupRow:
        """The counts and share over all cases selected."""
        (only,) = self.overall.groups
        return only


@dataclass(frozen=True, slots=True, kw_only=True)
class Glance(Outline):
    """The share, and the same by each of the groupings at a glance and by year of start."""

    by: tuple[Rates, ...]
    years: Rates


@dataclass(frozen=True, slots=True, kw_only=True)
class Firmness:
    """What tells how firm the share is."""

    untreated: Rates | None  # The same among children observed without treatment; None where there are none
    threshold: ThresholdCurve  # The share against the threshold
    changes: ChangePicture | None  # The changes behind the classes; None where the definition has several parts


def outline(reader: Reader, *, selection: Selection, definition: str | None = None) -> Outline:
    """The share under one definition (the headline one where None) for the cases selected."""
    (overall,) = rates_by(reader, (None,), definition=definition, selection=selection, beside=())
    return Outline(overall=overall, **_around(reader, overall))


def _around(reader: Reader, overall: Rates) -> dict[str, Any]:
    helps = {} if overall.groups[0].started.n else relief(reader, selection=overall.selection)
    return {"relief": helps, "published_at": reader.snapshot.published_at}


def at_a_glance(reader: Reader, *, selection: Selection, definition: str | None = None) -> Glance:
    """The share and its groupings under one definition, counted in one pass over the cases."""
    ways = (None, *COMPARISONS, YEARS)
    overall, *by, years = rates_by(reader, ways, definition=definition, selection=selection, beside=(None,))
    return Glance(overall=overall, by=tuple(by), years=years, **_around(reader, overall))


def firmness(reader: Reader, *, selection: Selection, definition: str | None = None) -> Firmness:
    """What belongs to the share of the cases selected, beside what is said of it at a glance."""
    changes = counted_changes(reader, reader.definition(definition), selection)
    return Firmness(
        untreated=_untreated(reader, selection, definition),
        threshold=threshold_curve(reader, definition=definition, selection=selection, changes=changes),
        changes=change_picture(reader, definition=definition, selection=selection, changes=changes),
    )


def _untreated(reader: Reader, selection: Selection, definition: str | None) -> Rates | None:
    """Untreated cases under the same filters, save those that only a treated case can meet."""
    found = rates(reader, definition=definition, selection=untreated_alike(selection))
    return found if found.groups[0].started.n else None
