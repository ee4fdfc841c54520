"""What a group gets to see: plain figures made from published tables, in a form that can be signed and kept."""

import math
from dataclasses import asdict, dataclass
from typing import Any

from warehouse.errors import GroupError
from warehouse.pooled.agreement import check_format
from warehouse.results import Caution, Estimate
from warehouse.toml_files import shaped

FORMAT = "menton group result, version 2"
_BEFORE = "menton group result, version 1"  # a kept one has nothing this version misses


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One estimate with its interval; ``value`` None where there is none, and ``notes`` say why."""

    name: str
    value: float | None
    low: float | None
    high: float | None
    level: float
    method: str
    n: int
    notes: tuple[Caution | str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class PracticeLine:
    """One practice among the others, in order of size."""

    label: str  # "practice 1" for the one with most cases counted
    tag: str  # What only the practice itself can find itself by
    counted: str  # Cases counted, as shown
    adverse: str  # Adverse cases, as shown
    n: int  # Cases counted, for drawing
    share: float | None  # Share adverse; None where a count is hidden
    low: float  # End of its interval, or the least the share can be where a count is hidden
    high: float  # Likewise the other end, or the most
    pooled_share: float | None  # Share drawn towards what the practices have in common; None where a count is hidden
    pooled_low: float | None  # End of its interval
    pooled_high: float | None  # The other end
    weight: float  # Share of the weight in the pooled share
    position: str  # Where it lies in the funnel, chance alone considered; empty where a count is hidden
    position_spread: str  # The same allowing for the spread between practices
    # Share that cases like its own have over all practices; None where it, or too few others, gave no single cases
    expected: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Edge:
    """One corner of the funnel's edge: limits for a practice of ``n`` cases."""

    n: int
    level: float
    spread: bool
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """How far practices differ beyond chance (heterogeneity on the log odds, and the funnel's over-dispersion)."""

    q: float
    df: int
    p_value: float
    i2: float
    tau2: float
    tau2_low: float
    tau2_high: float
    phi: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SharePool:
    """The share adverse over the practices under one definition."""

    outcome: str  # Id of the definition
    definition: str  # Its name and version
    sentence: str  # What makes a case adverse
    practices: int  # Practices behind the figures
    totals: tuple[tuple[str, str], ...] = ()  # Name -> cases as shown, over the practices whose counts are all known
    lines: tuple[PracticeLine, ...] = ()  # The practices
    figures: tuple[Figure, ...] = ()  # The pooled share by several methods; the first is the one to quote
    prediction_low: float | None = None  # End of the interval for a further practice's share; None where there is none
    prediction_high: float | None = None  # The other end
    spread: Spread | None = None  # None with fewer than two practices
    # The pooled share if every hidden count were the least it can be; None if none is hidden
    if_lowest: float | None = None
    if_highest: float | None = None  # If the most
    target: float | None = None  # The funnel's target
    edges: tuple[Edge, ...] = ()  # The funnel's edges
    notes: tuple[Caution | str, ...] = ()  # What to keep in mind
    refused: str = ""  # Why there is nothing, or empty


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanLine:
    """The mean change of one practice, under the label and tag of its share."""

    label: str  # "practice 1" for the one with most cases counted
    tag: str  # What only the practice itself can find itself by
    n: int  # Cases behind the mean
    mean: float  # Mean change; more is worse
    low: float  # End of its t interval
    high: float  # The other end
    weight: float  # Share of the weight in the pooled mean


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanPool:
    """The mean change over the practices under one definition."""

    outcome: str  # Id of the definition
    about: str  # What changed, in words
    unit: str
    practices: int  # Practices behind the figures
    lines: tuple[MeanLine, ...] = ()  # The practices, in the order of their shares
    figures: tuple[Figure, ...] = ()  # The pooled mean by several methods; the first is the one to quote
    prediction_low: float | None = None  # End of the interval for a further practice's mean; None where there is none
    prediction_high: float | None = None  # The other end
    spread: Spread | None = None  # How far the means differ beyond chance; None with fewer than two practices
    notes: tuple[Caution | str, ...] = ()  # What to keep in mind
    refused: str = ""  # Why there is nothing, or empty


@dataclass(frozen=True, slots=True, kw_only=True)
class PooledGroup:
    """One group of a variable over all practices."""

    label: str  # The group
    counted: str  # Cases counted, as shown
    adverse: str  # Adverse cases, as shown
    share: Figure  # Share adverse with its interval
    ratio: Figure | None = None  # Risk ratio to the reference group within practices, pooled; None for the reference
    adjusted: Figure | None = None  # Odds ratio to the reference group, adjusted; None where no model could be made


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupPool:
    """Shares by the groups of a variable."""

    outcome: str  # Id of the definition
    by: str  # The variable
    practices: int  # Practices behind the table
    reference: str = ""  # Group the others are compared with
    rows: tuple[PooledGroup, ...] = ()  # The groups, in the order of the variable
    # Variables of the adjusted model, practice among them; empty where there is none
    adjusted_for: tuple[str, ...] = ()
    adjusted_practices: int = 0  # Practices with single cases behind it
    trend: Figure | None = None  # Change of the share from one year to the next, where the groups are years
    notes: tuple[Caution | str, ...] = ()  # What to keep in mind
    refused: str = ""  # Why there is nothing, or empty


@dataclass(frozen=True, slots=True, kw_only=True)
class SummedRound:
    """The record of a round of sums, by which every practice can check that its own table, and no other, went in."""

    number: int
    digest: str  # Of what the coordinator asked, the members among it
    answers: dict[str, str]  # Pseudonym -> SHA-256 of the masked table that was added


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupResult:
    """Everything the group gets to see at one time."""

    group: str  # Id of the group; `name` is its name
    name: str
    agreement: str  # Digest of the agreement
    version: int
    number: int  # Counts up with every result
    made_on: str  # Date
    salt: str  # What the tags were made with
    growth: str  # The growth reference
    shares: tuple[SharePool, ...]  # One a definition
    breakdowns: tuple[GroupPool, ...]  # One a definition and variable
    means: tuple[MeanPool, ...]  # One a definition that looks at a single change
    notes: tuple[str, ...]  # What to keep in mind of the whole
    round: SummedRound | None = None  # Where the group pools by sums

    def to_dict(self) -> dict[str, Any]:
        """The result as plain data."""
        return {"format": FORMAT, **asdict(self)}


def figure(name: str, estimate: Estimate, *, digits: int | None = None) -> Figure:
    """An estimate as a figure, rounded where it rests on counts that are not published."""
    interval = estimate.interval
    value, low, high = (
        None if one is None or not math.isfinite(one) else one if digits is None else round(one, digits)
        for one in (estimate.value, *((interval.low, interval.high) if interval else (None, None)))
    )
    return Figure(
        name=name,
        value=value,
        low=low,
        high=high,
        level=interval.level if interval else 0.95,
        method=estimate.method,
        n=estimate.n,
        notes=estimate.warnings,
    )


def result_from(data: object) -> GroupResult:
    """A result of this version from plain data; anything else is refused."""
    if not isinstance(data, dict) or data.get("format") not in {FORMAT, _BEFORE}:
        check_format(data.get("format") if isinstance(data, dict) else "", FORMAT)
        raise _wrong("its format")
    result, complaints = shaped(GroupResult, {name: value for name, value in data.items() if name != "format"})
    if not isinstance(result, GroupResult):
        raise _wrong(".".join(str(step) for step in complaints[0].place) or "the whole")
    return result


def _wrong(what: str) -> GroupError:
    found = f"this is not a result of a study group: {what} is not as it should be"
    return GroupError(found, remedy="ask the coordinator for the file again")
