"""An outcome definition: what makes a case adverse, fixed beforehand, as data."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Literal, TypeAlias

Span: TypeAlias = Literal["start_to_progress", "progress_to_finish", "start_to_finish", "finish_to_follow_up"]

SPANS: dict[Span, tuple[str, str]] = {
    "start_to_finish": ("start", "finish"),
    "start_to_progress": ("start", "progress"),
    "progress_to_finish": ("progress", "finish"),
    "finish_to_follow_up": ("finish", "follow_up"),
}
"""Span -> the two times it lies between."""

FAMILIES: dict[str, str] = {
    "vertical": "adverse vertical growth",
    "jaws_back": "jaws carried back",
    "front_teeth_back": "front teeth pulled back",
    "height_to_width": "face higher for its width",
    "re_crowding": "re-crowding after the finish",
    "joint_symptoms": "new jaw joint symptoms",
    "sleep_breathing": "new concern about breathing in sleep",
    "own": "defined by the practice",
}
"""Family -> its name on screens. ``vertical`` is the headline; the others are secondary."""

LEFT_OUT: dict[str, str] = {"surgery": "operated"}
"""What a definition may leave cases out for -> step of the sampling frame they then stop at."""

QUESTIONS: dict[str, tuple[str, ...]] = {
    "joint_symptoms": ("yes", "no"),
    "sleep_breathing_concern": ("yes", "no"),
    "mouth_posture": ("closed", "mixed", "open"),
    "breathing": ("nose", "mixed", "mouth"),
}
"""What is asked or seen at every visit -> its answers."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangePart:
    """A measure rose (or fell) by at least a threshold."""

    measures: tuple[str, ...]  # Alternatives in order; the first one readable at both times is used
    direction: Literal["rise", "fall"]
    threshold: float
    # `growth_adjusted` subtracts the change expected from the growth reference
    basis: Literal["raw", "growth_adjusted"] = "raw"
    # Whether the change must also exceed MDC95: `own_repeats` uses the practice's own repeats and asks nothing
    # where it has none; `always` falls back on the catalogue's value
    beyond_error: Literal["never", "own_repeats", "always"] = "never"
    # Of measures of photographs: whether head pose, lips and teeth may be unknown, or must be stated and alike
    photographs: Literal["not_known_to_differ", "stated_alike"] = "not_known_to_differ"
    span: Span = "start_to_finish"

    @property
    def mirrored(self) -> ChangePart:
        """The same change in the other direction: as large, on the same basis, beyond the same error."""
        return replace(self, direction="fall" if self.direction == "rise" else "rise")


@dataclass(frozen=True, slots=True, kw_only=True)
class CrossingPart:
    """A measure was average at the first time (above ``low_to``, below ``high_from``) and high at the second.

    The cuts are one a measure, in their order.
    """

    measures: tuple[str, ...]
    low_to: tuple[float, ...]
    high_from: tuple[float, ...]
    span: Span = "start_to_finish"
    at_risk_only: bool = True  # Whether only those who were average are counted


@dataclass(frozen=True, slots=True, kw_only=True)
class AnswerPart:
    """A question answered one way at the first time was answered another way at the second."""

    question: str
    before: tuple[str, ...] = ("no",)
    after: tuple[str, ...] = ("yes",)
    span: Span = "start_to_finish"


@dataclass(frozen=True, slots=True, kw_only=True)
class DefinitionPart:
    """Another definition is adverse."""

    definition: str


Part: TypeAlias = ChangePart | CrossingPart | AnswerPart | DefinitionPart


@dataclass(frozen=True, slots=True, kw_only=True)
class Definition:
    """An outcome definition."""

    id: str  # Short id such as `D1`
    version: str  # Version; a definition never changes within a version
    family: str  # Key of `FAMILIES`
    label: str
    sentence: str  # What makes a case adverse, in one plain sentence
    parts: tuple[Part, ...]
    source: str  # Where it comes from, or "common practice, no source"
    combine: Literal["all", "any", "at_least"] = "all"  # `all` parts, `any` part, or `at_least` so many
    at_least: int = 0
    # `not_assessable` where any part is missing; `decide` where the parts at hand settle it whatever the missing
    # ones were
    missing: Literal["not_assessable", "decide"] = "not_assessable"
    minimum_months: float = 6.0  # Shortest interval between the two records that counts
    leave_out: tuple[str, ...] = ()  # Keys of `LEFT_OUT`: cases whose change is not growth
    formerly: str = ""  # Id it had before, by which it is still found
    # Of a version no longer in force: the id it had. It is counted still, so that an old figure can be made again
    retired: str = ""

    @property
    def name(self) -> str:
        """Id and version as shown beside a figure, e.g. ``D1 v2.0.0``."""
        return f"{self.retired or self.id} v{self.version}"

    @property
    def measures(self) -> tuple[str, ...]:
        """Every measure any part of this definition may use, in order, each once."""
        found = [measure for part in self.parts for measure in getattr(part, "measures", ())]
        return tuple(dict.fromkeys(found))

    def grown_measures(self, others: Iterable[Definition]) -> tuple[str, ...]:
        """Measures held against a growth reference by this definition, or by those of ``others`` that it names."""
        named = {part.definition for part in self.parts if isinstance(part, DefinitionPart)}
        parts = [part for one in (self, *(other for other in others if other.id in named)) for part in one.parts]
        grown = [part for part in parts if isinstance(part, ChangePart) and part.basis == "growth_adjusted"]
        return tuple(dict.fromkeys(measure for part in grown for measure in part.measures))

    @property
    def spans(self) -> tuple[Span, ...]:
        """Every span any part lies over."""
        return tuple(dict.fromkeys(part.span for part in self.parts if not isinstance(part, DefinitionPart)))

    @property
    def has_other_way(self) -> bool:
        """Whether a case can move as far the other way: one change, one crossing, or one answer."""
        return len(self.parts) == 1 and not isinstance(self.parts[0], DefinitionPart)

    @property
    def single_change(self) -> ChangePart | None:
        """The one change part of a definition made of nothing else, or None (for the threshold picture)."""
        only = self.parts[0]
        return only if len(self.parts) == 1 and isinstance(only, ChangePart) else None
