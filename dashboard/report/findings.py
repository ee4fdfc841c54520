"""What a report says: one set of results that every page, slide, table and figure is made from.

Counts come as cells that may be hidden, so that nothing made from them can show more than may be shown.

- for the ``practice`` itself every count is whole;
- for ``outside`` (what is made to leave the practice) counts below the smallest one are hidden, and as many others as
  it takes that none of them can be worked out from the rest of the document.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Literal, TypeAlias

from dashboard.report.gathered import COMPARISONS, counts_of_all, gather
from warehouse.errors import RequestError, near_names
from warehouse.marts.reader import Reader
from warehouse.selection import Selection

if TYPE_CHECKING:
    from pathlib import Path

    from dashboard.report.adjusted import AdjustedShown
    from dashboard.report.gathered import Gathered
    from dashboard.report.practices_shown import Beside
    from warehouse.disclosure import Count, Policy
    from warehouse.marts.grouping import Grouping
    from warehouse.outcomes.definition import Definition
    from warehouse.questions.spread import ChangePicture
    from warehouse.questions.threshold import ThresholdCurve
    from warehouse.results import Estimate

__all__ = [
    "COMPARISONS", "Audience", "Change", "Comparison", "Findings", "Group", "LossShown", "Shown", "Stage", "findings",
]  # fmt: skip

Audience: TypeAlias = Literal["practice", "outside"]

NAMED_BY = ("practice", "clinician")
"""Groupings whose groups are people or practices."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Counts and share of one group as they may be shown."""

    group: str  # Code of the group; `label` is its name
    label: str
    counted: Count  # Cases counted
    adverse: Count  # Cases adverse
    rate: Estimate  # Share adverse; without a value where a count it rests on is hidden
    # Cases started; None where the document does not give them by group. So with `finished` (reached the end) and
    # `missing` (outcome due but not known).
    started: Count | None = None
    finished: Count | None = None
    missing: Count | None = None
    # Share if none of the missing were adverse, `if_all` if all were; None where not given
    if_none: Estimate | None = None
    if_all: Estimate | None = None
    change: Estimate | None = None  # Mean change with its interval; None where not given


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Groups side by side as found, and beside that two of them adjusted for what was recorded."""

    by: Grouping  # What cases are grouped by
    groups: tuple[Group, ...]  # In the order shown
    # Of two groups, the second's share less the first's; None where there are not two, or counts are hidden
    difference: Estimate | None
    # Two of the groups adjusted for what was recorded; None where there are not two, or where `not_adjusted`
    # says why it may not be shown
    adjusted: AdjustedShown | None = None
    not_adjusted: str = ""
    refused: str = ""  # Why none of its counts may be shown, or the empty text


@dataclass(frozen=True, slots=True)
class LossShown:
    """Cases that went no further than a stage, and why."""

    reason: str
    n: Count


@dataclass(frozen=True, slots=True)
class Stage:
    """One stage from started to counted; ``fewer`` is how many went no further, None where that is hidden."""

    name: str
    title: str
    n: Count
    losses: tuple[LossShown, ...]
    fewer: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """The changes behind the classes."""

    label: str  # Name of the measure; `unit` its unit
    unit: str
    summary: Estimate  # Mean change with its interval
    quartiles: tuple[float, float, float]  # Lower quartile, median and upper quartile
    error: str  # What is known of measuring error, in a sentence
    picture: ChangePicture | None  # The histogram; None where it may not be shown


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """What an audience may be shown of the results of one audit."""

    audience: Audience  # Whom they are for
    policy: Policy | None  # The rule counts were hidden by; None where nothing is hidden
    overall: Group  # The headline
    stages: tuple[Stage, ...]  # From started to counted
    # Cases handed over that the checks turned away; `selected` were picked out; `not_due` are still in treatment
    turned_away: Count
    selected: Count
    not_due: Count
    untreated: Group | None  # Children observed without treatment, under the same definition; None where there are none
    comparisons: tuple[Comparison, ...]  # Groups side by side
    # Definition and share for every other definition of the headline's family
    family: tuple[tuple[Definition, Group], ...]
    secondary: tuple[tuple[Definition, Group], ...]  # The same for the other families
    curve: ThresholdCurve  # Share against the threshold; thresholds that may not be shown are left out
    change: Change | None  # The changes behind the classes; None where there are none, or they may not be shown
    refused: str = ""  # Why none of the counts over all cases may be shown, or the empty text


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings(Shown):
    """Results of one audit at one build, as they may be shown to an audience."""

    definition: Definition
    growth_reference: str
    build: str
    published_at: str
    cases: str  # Which cases, in words
    practices: tuple[str, ...]  # Names that may be shown, or none; `n_practices` is their number
    n_practices: int
    level: float
    # The practices beside each other; None where that was not asked for or may not be shown
    beside: Beside | None = None

    @classmethod
    def of(cls, gathered: Gathered, shown: Shown) -> Findings:
        """What may be shown, with what it is about."""
        overall = gathered.overall
        return cls(
            **{one.name: getattr(shown, one.name) for one in fields(shown)},
            definition=overall.definition,
            growth_reference=overall.growth_reference,
            build=overall.build,
            published_at=gathered.published_at,
            cases=cases_told(overall.selection),
            practices=gathered.practices,
            n_practices=len(gathered.practices),
            level=overall.level,
        )


def findings(
    reader: Reader,
    *,
    audience: Audience,
    selection: Selection | None = None,
    definition: str | None = None,
    comparisons: tuple[str, ...] = COMPARISONS,
    name_practice: bool | None = None,
    practices: bool = True,
) -> Findings:
    """The results of the snapshot as they may be shown.

    Args:
        reader: An open snapshot.
        audience: ``practice`` or ``outside``.
        selection: Which cases; consecutive treated ones where None. For ``outside`` one practice may be chosen and
            nothing else: tables about overlapping choices of cases could be subtracted from each other.
        definition: Id of the headline definition; the one in force where None.
        comparisons: Names of groupings.
        name_practice: Whether practices are named; where None, only to the practice itself.
        practices: Whether practices stand beside each other, where that may be shown.

    Raises:
        RequestError: A definition or grouping does not exist, or may not be asked for by this audience.
    """
    chosen = selection or Selection()
    _refuse_unknown_practices(reader, chosen)
    if audience == "outside":
        _refuse_what_may_not_leave(chosen, comparisons)
    asked = _sensible(chosen, comparisons)
    gathered = gather(reader, selection=chosen, definition=definition, comparisons=asked)
    found = Findings.of(gathered, _shown(reader, gathered, audience, chosen, asked))
    named = audience == "practice" if name_practice is None else name_practice
    if practices:
        from dashboard.report.practices_shown import with_practices

        found = with_practices(found, reader, audience=audience, selection=chosen, named=named)
    return found if named else without_names(found, chosen)


def _shown(
    reader: Reader, gathered: Gathered, audience: Audience, selection: Selection, comparisons: tuple[str, ...]
) -> Shown:
    if audience == "outside":
        from dashboard.report.protected import protected

        alone = not any(selection.filters.values())
        around = None if alone else counts_of_all(reader, gathered.overall.definition, comparisons)
        return protected(gathered, around=around)
    from dashboard.report.whole import whole

    return whole(gathered)


def cases_told(selection: Selection, *, but: tuple[str, ...] = ("practice",)) -> str:
    """Which cases, leaving out what filters named in ``but`` say."""
    filters = {name: kept for name, kept in selection.filters.items() if name not in but}
    return replace(selection, filters=filters).sentence()


def findings_in(folder: Path, *, key: str | None = None, **choices: object) -> Findings:
    """The results of the snapshot in a warehouse folder; ``choices`` as for :func:`findings`."""
    with Reader.open(folder, key=key) as reader:
        return findings(reader, **choices)  # type: ignore[arg-type]


def without_names(found: Findings, selection: Selection) -> Findings:
    """The same with practices and clinicians called A, B, C in the order shown."""
    comparisons = tuple(
        replace(comparison, groups=_lettered(comparison), adjusted=None)
        if comparison.by.name in NAMED_BY
        else comparison
        for comparison in found.comparisons
    )
    return replace(found, practices=(), comparisons=comparisons, cases=cases_told(selection, but=NAMED_BY))


def _lettered(comparison: Comparison) -> tuple[Group, ...]:
    return tuple(
        replace(group, group=_letter(place), label=f"{comparison.by.name} {_letter(place)}")
        for place, group in enumerate(comparison.groups)
    )


def _letter(place: int) -> str:
    """A, B … Z, AA, AB and so on."""
    head, last = divmod(place, 26)
    return (_letter(head - 1) if head else "") + chr(ord("A") + last)


def _sensible(selection: Selection, comparisons: tuple[str, ...]) -> tuple[str, ...]:
    """Comparisons that have more than one group: practices are not compared within one practice."""
    alone = len(selection.filters.get("practice", ())) == 1
    return tuple(dict.fromkeys(name for name in comparisons if not (alone and name == "practice")))


def _refuse_unknown_practices(reader: Reader, selection: Selection) -> None:
    for name in selection.filters.get("practice", ()):
        if name not in reader.practices:
            found = f"there is no practice {name!r} in this warehouse"
            raise RequestError(found, expected=", ".join(reader.practices), remedy=near_names(name, reader.practices))


def _refuse_what_may_not_leave(selection: Selection, comparisons: tuple[str, ...]) -> None:
    from warehouse.protected.shares import OFFERED

    others = [name for name, kept in selection.filters.items() if kept and name != "practice"]
    plain = (selection.comparison, selection.selection) == ("treated", "consecutive")
    if others or len(selection.filters.get("practice", ())) > 1 or not plain:
        found = "a document that leaves the practice is about all its cases"
        remedy = "leave the filters out: tables about overlapping choices of cases could be subtracted from each other"
        raise RequestError(found, where=", ".join(others), remedy=remedy)
    strange = [name for name in comparisons if name not in OFFERED]
    if strange:
        found = f"a document that leaves the practice cannot compare by {', '.join(strange)}"
        raise RequestError(found, expected=", ".join(OFFERED), remedy="choose among these, or make it for the practice")
