"""First against second reading (the picture of Bland and Altman): difference against mean, bias and limits."""

import altair as alt
import polars as pl

from dashboard.charts.figure import finished, hover, level
from dashboard.theme import LIGHT, Palette
from warehouse.repeats.repeats import Repeats
from warehouse.words.numbers import signed
from warehouse.words.readings import agreement_alt

MOST_DOTS = 3_000


def agreement_chart(repeats: Repeats, palette: Palette = LIGHT) -> alt.LayerChart:
    """A dot a record, the bias as a line, the limits of agreement as dashed lines."""
    frame = repeats.frame.head(MOST_DOTS).select(
        "examiner", mean=(pl.col("first") + pl.col("second")) / 2, difference=pl.col("first") - pl.col("second")
    )
    title = [repeats.label, f"mean of the two readings, {repeats.unit}"]
    dots = alt.Chart(frame).mark_point(color=palette.main, size=34, strokeWidth=1.2)
    dots = dots.encode(
        x=alt.X("mean:Q", title=title, scale=alt.Scale(zero=False)),
        y=alt.Y("difference:Q", title=f"first minus second, {repeats.unit}"),
        tooltip=hover(examiner="examiner", mean="mean|.1f", difference="difference|+.1f"),
    )
    found = repeats.agreement
    lines = [
        mark
        for name, one in (("upper limit", found.upper), ("bias", found.bias), ("lower limit", found.lower))
        if one.value is not None
        for mark in level(
            one.value,
            f"{name} {signed(one.value, digits=2)}",
            palette.second,
            dash=(1, 0) if name == "bias" else (6, 3),
        )
    ]
    return finished([dots, *lines], palette, height=300, said=agreement_alt(repeats))
