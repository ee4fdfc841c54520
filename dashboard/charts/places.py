"""Fixed places and words in a chart. Given as channels, not as plain values, which Altair takes long to recognise."""

from __future__ import annotations

import altair as alt


def x_at(place: float | str) -> alt.XValue:
    """A horizontal place in pixels, or ``width`` for the right edge."""
    return alt.XValue(place)  # type: ignore[no-untyped-call]


def y_at(place: float) -> alt.YValue:
    """A vertical place in pixels from the top."""
    return alt.YValue(place)  # type: ignore[no-untyped-call]


def words(*lines: str) -> alt.TextValue:
    """The same words at every mark, a line each."""
    return alt.TextValue(list(lines))
