"""One case's measure over time: every set of records, not two points alone."""

from __future__ import annotations

from typing import TYPE_CHECKING

import altair as alt

from dashboard.charts.layers import layered
from dashboard.theme import LIGHT, Palette, dressed

if TYPE_CHECKING:
    import polars as pl


def course_chart(
    course: pl.DataFrame, *, label: str, unit: str, palette: Palette = LIGHT, large: bool = False, width: int = 460
) -> alt.LayerChart:
    """The measure at each time, joined.

    Args:
        course: Columns timepoint, months_from_start and value.
        label: Name of the measure.
        unit: Its unit.
        palette: Colours of the mode.
        large: For a projector.
        width: Width in pixels.
    """
    base = alt.Chart(course).encode(
        x=alt.X("months_from_start:Q", title="months from start"),
        y=alt.Y("value:Q", title=[label, unit], scale=alt.Scale(zero=False, padding=18)),
    )
    line = base.mark_line(color=palette.main, strokeWidth=2)
    dots = base.mark_point(color=palette.main, filled=True, size=70, opacity=1)
    words = base.mark_text(align="left", dx=6, dy=-10).encode(text=alt.Text("said:N"))
    words = words.transform_calculate(said="format(datum.value, '.1f') + ' ' + replace(datum.timepoint, '_', '-')")
    chart = layered(line, dots, words, width=width, height=220, description=course_alt(course, label, unit))
    return dressed(chart, palette, large=large)


def course_alt(course: pl.DataFrame, label: str, unit: str) -> str:
    """The course in words."""
    listed = "; ".join(
        f"{row['timepoint'].replace('_', '-')} {row['value']:.1f} at {row['months_from_start']:.0f} months"
        for row in course.iter_rows(named=True)
    )
    return f"{label} in {unit}: {listed}." if listed else f"{label} was never read."
