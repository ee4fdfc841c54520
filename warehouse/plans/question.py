"""What exactly is asked, in a form that can be told from every other question, and the stamp its answer carries."""

import hashlib
import json
from dataclasses import dataclass

from warehouse.analysis.inputs import check_level, check_method
from warehouse.errors import RequestError, near_names
from warehouse.marts.grouping import DATED, Grouping, grouping, single_grouping
from warehouse.marts.reader import Reader
from warehouse.outcomes.definition import SPANS, Definition
from warehouse.plans.covariates import adjustables, check_strata
from warehouse.selection import Selection

_USUAL = Selection()

MOST_MONTHS = 120.0
WITHIN = ("practice", "clinician", "none")
"""Two groups are compared within practices (where there are several), within clinicians, or across all of them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """Which cases, on what outcome, by which groups, adjusted for what, at which level.

    Raises:
        RequestError: A grouping, span, variable or level does not exist, or one group stands alone or against itself.
    """

    # Id of an outcome definition, with its version (`D1 v1.0.0`) where it is settled; the headline one where empty
    definition: str = ""
    measure: str = ""  # Code of the measure whose change is asked about; empty where a definition's outcome is
    span: str = "start_to_finish"  # Over which two times it changed
    by: str = ""  # The grouping; empty for all cases together
    by2: str = ""  # A second grouping, held alike
    # Code of the group whose excess is asked about; empty where every group is compared with `reference`
    first: str = ""
    second: str = ""  # Code of the group it is compared with; which of the two comes first makes no other question
    reference: str = ""  # Code of the group all others are compared with; the largest where empty
    selection: Selection = _USUAL  # Which cases; consecutive treated ones where nothing else is said
    adjust: tuple[str, ...] | None = None  # Variables adjusted for, in any order; the usual ones where None
    strata: tuple[str, ...] | None = None  # Columns of the strata; those of the variables adjusted for where None
    method: str = ""  # The primary method; that of the plan, else overlap weights, where empty
    level: float = 0.95  # Level of the intervals
    within: str = "practice"  # Which cases are compared with each other: a key of `WITHIN`
    # Months after the start: the two groups are taken as known then, among the cases observed as long; None takes them
    # as they became
    landmark: float | None = None

    def __post_init__(self) -> None:
        """Refuse what does not exist or does not go together."""
        check_level(self.level)
        check_method(self.within, WITHIN)
        if self.span not in SPANS:
            found = f"there is no span {self.span!r}"
            raise RequestError(found, expected=", ".join(SPANS), remedy=near_names(self.span, SPANS))
        if self.by:
            grouping(self.by)
        if self.by2 and self.by == self.by2:
            found = f"{self.by} is crossed with itself"
            raise RequestError(found, expected="two different groupings", remedy="choose another --by2")
        if bool(self.first) != bool(self.second):
            found = "one of --a and --b is missing"
            raise RequestError(found, expected="both groups, or neither", remedy="name the other group too")
        if self.first and self.first == self.second:
            found = f"{self.first!r} is compared with itself"
            raise RequestError(found, expected="two different groups", remedy="name another second group")
        if self.landmark is not None and not (self.first and self.by in DATED and 0.0 < self.landmark <= MOST_MONTHS):
            found = f"groups by {self.by or 'nothing'} cannot be taken as known after {self.landmark:g} months"
            expected = f"two groups (--a and --b) by {', '.join(DATED)}, and 1 to {MOST_MONTHS:g} months"
            remedy = "leave --landmark out: of other groupings all is known at the start, or no date is recorded"
            raise RequestError(found, expected=expected, remedy=remedy)
        adjustables(name for name in self.adjust or () if name != self.by2)
        check_strata(self.strata or ())

    @property
    def way(self) -> Grouping | None:
        """The grouping; None for all cases together."""
        return grouping(self.by) if self.by else None

    @property
    def single_way(self) -> Grouping | None:
        """The same. Raises RequestError: a case can be in several of its groups."""
        return single_grouping(self.by) if self.by else None

    @property
    def outcome(self) -> str:
        """What is compared: the definition, or the change of a measure over a span."""
        return f"change of {self.measure}, {self.span}" if self.measure else self.definition

    @property
    def pair(self) -> frozenset[str]:
        """The two groups."""
        return frozenset((self.first, self.second))

    @property
    def contrast(self) -> str:
        """Sixteen characters that stand for who is compared on what, whichever cases it is looked at in."""
        return _digest([self.outcome, self.by, sorted(self.pair)])

    @property
    def comparison(self) -> str:
        """Sixteen characters that stand for who is compared on what and among which cases, however it is analysed."""
        known_at = [] if self.landmark is None else [self.landmark]
        return _digest([self.contrast, self.selection.comparison, self.selection.selection, self._kept, *known_at])

    @property
    def analysis(self) -> str:
        """Sixteen characters that stand for the comparison and what it is adjusted for."""
        across = [] if self.within == "practice" else [self.within]
        return _digest([self.comparison, sorted(self.adjust or ()), *across])

    @property
    def _kept(self) -> list[list[object]]:
        return [[name, sorted(kept)] for name, kept in sorted(self.selection.filters.items()) if kept]


def _digest(parts: list[object]) -> str:
    return hashlib.sha256(json.dumps(parts).encode()).hexdigest()[:16]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stamp:
    """What a figure must carry with it."""

    definition: Definition  # The outcome definition
    growth_reference: str  # Name and provenance of the growth reference in force
    build: str  # The build read
    selection: Selection  # Which cases
    level: float  # Level of the intervals
    usual: tuple[str, ...] = ()  # What is usually adjusted for, as far as cases have it
    recorded: tuple[str, ...] = ()  # What could be adjusted for, as far as any case has it


def stamp_of(reader: Reader, question: Question) -> Stamp:
    """The stamp of an answer to this question.

    Raises DefinitionError: there is no such definition; near ids are offered.
    """
    definition = reader.definition_settled(question.definition)
    return Stamp(
        definition=definition,
        growth_reference=reader.growth_used(definition),
        build=reader.snapshot.build_id,
        selection=question.selection,
        level=question.level,
        usual=reader.usual_adjustment,
        recorded=reader.recorded,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Stamped:
    """An answer with its stamp."""

    stamp: Stamp

    @property
    def definition(self) -> Definition:
        """The outcome definition."""
        return self.stamp.definition

    @property
    def growth_reference(self) -> str:
        """Name and provenance of the growth reference in force."""
        return self.stamp.growth_reference

    @property
    def build(self) -> str:
        """The build read."""
        return self.stamp.build

    @property
    def selection(self) -> Selection:
        """Which cases."""
        return self.stamp.selection

    @property
    def level(self) -> float:
        """Level of the intervals."""
        return self.stamp.level
