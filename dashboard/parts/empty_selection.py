"""An empty selection explains itself: which choice to let go of, and how many cases that would bring back."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dashboard.parts.screen import plain, said
from warehouse.words.numbers import cases

if TYPE_CHECKING:
    from collections.abc import Mapping

    from warehouse.selection import Selection


def say_why_empty(relief: Mapping[str, int], selection: Selection) -> None:
    """Say that no case was left, and the ways out."""
    said("No case is left under these choices.")
    plain(f"Asked for: {selection.sentence()}.")
    helps = {name: n for name, n in relief.items() if n}
    if helps:
        plain(
            *(f"Without the choice of {name.replace('_', ' ')} there would be {cases(n)}." for name, n in helps.items())
        )
    elif relief:
        plain("No single choice brings cases back: let go of several in the side panel.")
    else:
        plain("The warehouse holds no such case yet. Bring in a file, or ask for cases picked out as well.")
