"""Shares, intervals and means follow the counts they rest on: hidden when those are."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from warehouse.disclosure.published import ProtectedTable


@dataclass(frozen=True, slots=True)
class Followed:
    """A figure that rests on counts: its value, or None and the reason in words."""

    value: float | None
    reason: str

    @property
    def may_show(self) -> bool:
        """Whether the figure, and any interval made from the same counts, may be shown."""
        return self.value is not None


def share_of(table: ProtectedTable, *, of: tuple[str, ...], among: tuple[str, ...]) -> Followed:
    """The share one cell has of another, from the counts as shown.

    Hidden when either count is; a share of no cases does not exist. An interval of the share follows it.
    """
    part, whole = table.cell(*of), table.cell(*among)
    if part.value is None or whole.value is None:
        return Followed(None, "withheld: it rests on a count that is not shown")
    if whole.value == 0:
        return Followed(None, "no case to take a share of")
    return Followed(min(1.0, part.value / whole.value), "")


def mean_of(table: ProtectedTable, *, cases: tuple[str, ...], value: float | None) -> Followed:
    """A mean (or median, or standard deviation) over the cases of one cell.

    Hidden when their number is, or is below the policy's minimum for means. ``value`` None (nothing measured) stays
    None with its reason.
    """
    count = table.cell(*cases)
    least = table.release.policy.mean_minimum
    if count.value is None:
        return Followed(None, "withheld: it rests on a count that is not shown")
    if count.value < least:
        return Followed(None, f"withheld: fewer than {least} cases")
    if value is None:
        return Followed(None, "nothing was measured")
    return Followed(value, "")
