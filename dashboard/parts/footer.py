"""The foot of every page: definition, growth reference, cases, build and the caution that go with its figures."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dashboard.parts.screen import behind
from warehouse.words.shares import CAUTION

if TYPE_CHECKING:
    from warehouse.protected.shares import ProtectedRates
    from warehouse.questions.shares import Rates


def footing(result: Rates | ProtectedRates, published_at: str) -> None:
    """What every figure above rests on."""
    definition = result.definition
    behind(
        ("Definition", f"{definition.name}, {definition.label}. {definition.sentence} Source: {definition.source}."),
        ("Growth reference", result.growth_reference),
        ("Cases", result.selection.sentence()),
        ("Build", f"{result.build}, published {published_at.replace('T', ' ').rstrip('Z')} UTC"),
        ("Caution", CAUTION),
    )
