"""One case's measure over time: every set of records, not two points alone."""

from __future__ import annotations

import altair as alt
import polars as pl

from dashboard.charts.figure import finished
from dashboard.theme import LIGHT, Palette


def course_chart(course: pl.DataFrame, palette: Palette = LIGHT, *, label: str, unit: str) -> alt.LayerChart:
    """The measure at each time, joined; columns timepoint, months_from_start and value."""
    base = alt.Chart(course).encode(
        x=alt.X("months_from_start:Q", title="months from start"),
        y=alt.Y("value:Q", title=[label, unit], scale=alt.Scale(zero=False, padding=18)),
    )
    line = base.mark_line(color=palette.main, strokeWidth=2)
    dots = base.mark_point(color=palette.main, filled=True, size=70, opacity=1)
    words = base.mark_text(align="left", dx=6, dy=-10).encode(text=alt.Text("said:N"))
    words = words.transform_calculate(said="format(datum.value, '.1f') + ' ' + replace(datum.timepoint, '_', '-')")
    return finished([line, dots, words], palette, height=220, said=course_alt(course, label, unit))


def course_alt(course: pl.DataFrame, label: str, unit: str) -> str:
    """The course in words."""
    listed = "; ".join(
        f"{row['timepoint'].replace('_', '-')} {row['value']:.1f} at {row['months_from_start']:.0f} months"
        for row in course.iter_rows(named=True)
    )
    return f"{label} in {unit}: {listed}." if listed else f"{label} was never read."
