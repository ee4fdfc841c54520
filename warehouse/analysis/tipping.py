"""How many of the missing cases would have to be adverse to change what is said.

No model: every possible answer is tried, from none of the missing adverse to all of them.
"""

from bisect import bisect_left, bisect_right
from dataclasses import dataclass
from typing import Literal

from warehouse.analysis.inputs import check_counts
from warehouse.analysis.proportion import proportion, wilson_interval
from warehouse.results import Caution, Estimate

ShareMessage = Literal["below", "includes", "above", "nothing"]


@dataclass(frozen=True, slots=True, kw_only=True)
class TippingPoint:
    """A share against a stated value, whatever the missing cases hold."""

    assessed: Estimate  # The share among the assessed, with its interval
    value: float  # What it is compared with
    missing: int  # Cases not assessed
    # Where the interval of the assessed lies: wholly `below` the value, wholly `above`, `includes` it; `nothing`
    # without an assessed case
    message: ShareMessage
    holds_from: int | None = None  # Fewest adverse among the missing with which the message holds; None with `nothing`
    holds_to: int | None = None  # Most adverse among the missing with which it holds
    # Adverse among the missing if they are like the assessed, rounded; None without an assessed case
    like_assessed: int | None = None
    warnings: tuple[Caution, ...]  # Cautions


def tipping_point(adverse: int, assessed: int, missing: int, *, value: float, level: float = 0.95) -> TippingPoint:
    """Fewest and most of the missing that could be adverse without changing where the share lies against ``value``.

    Method: Wilson's interval of (adverse + k) / (assessed + missing) for k = 0 ... missing; it rises with k, so the
    message holds on one unbroken range of k, which is never empty.

    ``value``: the share to compare with, e.g. 0.10. Raises RequestError where the counts are not counts.
    """
    check_counts(adverse, assessed)
    check_counts(0, missing, where="cases that could not be assessed")
    share = proportion(adverse, assessed, level=level)
    if assessed == 0:
        why = (Caution("no_data", "no_message"),)
        return TippingPoint(assessed=share, value=value, missing=missing, message="nothing", warnings=why)

    def message_with(k: int) -> ShareMessage:
        return _message((adverse + k) / (assessed + missing), assessed + missing, value, level)

    message = _message(adverse / assessed, assessed, value, level)
    rank = ("below", "includes", "above")
    # messages only ever rise with k: find where "at least this one" and "more than this one" begin
    tried = range(missing + 1)
    begins = bisect_left(tried, rank.index(message), key=lambda k: rank.index(message_with(k)))
    ends = bisect_right(tried, rank.index(message), key=lambda k: rank.index(message_with(k)))
    return TippingPoint(
        assessed=share,
        value=value,
        missing=missing,
        message=message,
        holds_from=begins,
        holds_to=ends - 1,
        like_assessed=round(missing * adverse / assessed),
        warnings=share.warnings,
    )


def _message(share: float, n: int, value: float, level: float) -> ShareMessage:
    interval = wilson_interval(share, n, level=level)
    if interval.high < value:
        return "below"
    return "above" if interval.low > value else "includes"
