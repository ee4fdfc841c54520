"""What the cells of one column must hold."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date

    from pipelines.contract.targets import Target


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """What one column must hold, and how it is written."""

    target: Target  # Where the column goes
    today: date  # No date may lie after it
    # Spelling in lower case -> code; the empty string where the spelling means "not known"
    spellings: Mapping[str, str] = field(default_factory=dict)
    missing: frozenset[str] = frozenset()  # Spellings, in lower case, that mean "not known" in every column
    decimal: Literal[".", ","] = "."  # The decimal mark
    unit: str | None = None  # Unit of the numbers in the file, or None where the target has none
    factor: float = 1.0  # What turns that unit into the target's
    date_order: str | None = None  # Order of day, month and year where the year does not come first
