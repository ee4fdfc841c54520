"""What a report says: one set of results that every page, slide, table and figure is made from.

Counts come as cells that may be hidden, so that nothing made from them can show more than may be shown.

- for the ``practice`` itself every count is whole;
- for ``outside`` (what is made to leave the practice) counts below the smallest one are hidden, and as many others as
  it takes that none of them can be worked out from the rest of the document.
"""

from dataclasses import dataclass
from functools import partial
from typing import Literal, TypeAlias

from dashboard.report.adjusted import AdjustedShown
from warehouse.cases.case_dots import MeanCourse
from warehouse.cases.case_page import CaseInFile
from warehouse.cases.flow import Flow
from warehouse.disclosure import Policy
from warehouse.leaving.gate import TO_ITSELF, Leave
from warehouse.leaving.record import Coming, write_down
from warehouse.marts.grouping import Grouping
from warehouse.outcomes.definition import Definition
from warehouse.pooled.result import MeanPool, SharePool
from warehouse.questions.shares import GroupRow
from warehouse.questions.spread import ChangePicture
from warehouse.questions.threshold import ThresholdCurve
from warehouse.results import Estimate

Audience: TypeAlias = Literal["practice", "outside"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Groups side by side as found, and beside that two of them with what was recorded held alike."""

    by: Grouping  # What cases are grouped by
    groups: tuple[GroupRow, ...]  # In the order shown
    # Of two groups, the second's share less the first's; None where there are not two, or counts are hidden
    difference: Estimate | None
    # Two of the groups with what was recorded held alike; None where there are not two, or where `not_adjusted`
    # says why it may not be shown
    adjusted: AdjustedShown | None = None
    not_adjusted: str = ""
    refused: str = ""  # Why none of its counts may be shown, or the empty text


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """The changes behind the classes."""

    label: str  # Name of the measure; `unit` its unit
    unit: str
    summary: Estimate  # Mean change with its interval
    quartiles: tuple[float, float, float]  # Lower quartile, median and upper quartile
    error: str  # What is known of measuring error, in a sentence
    picture: ChangePicture | None  # The histogram; None where it may not be shown


@dataclass(frozen=True, slots=True)
class Beside:
    """Shares of the practices, and their mean changes and courses where the definition looks at a single change."""

    shares: SharePool
    means: MeanPool | None
    courses: MeanCourse | None  # The courses behind the means, all together first


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings:
    """Results of one audit at one build, as they may be shown to an audience."""

    definition: Definition
    growth_reference: str
    build: str
    published_at: str
    cases: str  # Which cases, in words
    practices: tuple[str, ...]  # Names that may be shown, or none; `n_practices` is their number
    n_practices: int
    level: float
    policy: Policy  # The rule counts were hidden by
    overall: GroupRow  # The headline
    flow: Flow  # From started to counted
    untreated: GroupRow | None  # Children observed without treatment, by the same definition; None where there are none
    comparisons: tuple[Comparison, ...]  # Groups side by side
    # Definition and share for every other definition of the headline's family
    family: tuple[tuple[Definition, GroupRow], ...]
    secondary: tuple[tuple[Definition, GroupRow], ...]  # The same for the other families
    curve: ThresholdCurve  # Share against the threshold; thresholds that may not be shown are left out
    change: Change | None  # The changes behind the classes; None where there are none, or they may not be shown
    course: MeanCourse | None = None  # Means from start to finish; by class for the practice itself alone
    refused: str = ""  # Why none of the counts over all cases may be shown, or the empty text
    # The practices beside each other; None where that was not asked for or may not be shown
    beside: Beside | None = None
    case: CaseInFile | None = None  # One case drawn, for the practice itself alone
    coming: Coming | None = None  # What is written down of it when it leaves; None for the practice itself

    @property
    def leave(self) -> Leave:
        """Who may read it."""
        return TO_ITSELF if self.coming is None else Leave("others", partial(write_down, self.coming))
