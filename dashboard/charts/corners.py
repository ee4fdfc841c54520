"""Teeth against face: two bars of cases, teeth improved and not, each divided by what the face did."""

from __future__ import annotations

from typing import TYPE_CHECKING

import altair as alt
import polars as pl

from dashboard.charts.layers import layered
from dashboard.charts.places import x_at
from dashboard.theme import LIGHT, Palette, dressed
from warehouse.words.changes import corner_sentence

if TYPE_CHECKING:
    from warehouse.analysis.corners import FourCorners

CLASSES = ("face adverse", "face not adverse")


def corners_frame(corners: FourCorners) -> pl.DataFrame:
    """One row a corner, with where its piece of the bar lies and what is written in it."""
    pairs = (
        ("teeth improved", corners.better_adverse, corners.better_not_adverse),
        ("teeth not improved", corners.not_better_adverse, corners.not_better_not_adverse),
    )
    rows = [
        {"teeth": f"{teeth}: {adverse + other:,} cases", "face": face, "low": low, "high": low + n, "n": n}
        for teeth, adverse, other in pairs
        for face, low, n in zip(CLASSES, (0, adverse), (adverse, other), strict=True)
    ]
    return pl.DataFrame(rows)


def corners_chart(
    corners: FourCorners, *, palette: Palette = LIGHT, large: bool = False, width: int = 460
) -> alt.LayerChart:
    """The bars."""
    frame = corners_frame(corners)
    step = 92 if large else 62
    base = alt.Chart(frame).encode(
        y=alt.Y("teeth:N", sort=frame["teeth"].unique(maintain_order=True).to_list(), axis=None)
    )
    shades = alt.Scale(domain=list(CLASSES), range=[palette.adverse, palette.band])
    bars = base.mark_bar(
        stroke=palette.quiet, strokeWidth=1, height=round(step * 0.42), yOffset=round(step * 0.16)
    ).encode(
        x=alt.X("low:Q", title="cases", scale=alt.Scale(nice=False)),
        x2=alt.X2("high"),
        color=alt.Color("face:N", scale=shades, legend=alt.Legend(title=None, orient="top")),
        tooltip=[alt.Tooltip("teeth:N"), alt.Tooltip("face:N"), alt.Tooltip("n:Q", title="cases")],
    )
    names = base.transform_filter(f"datum.face == '{CLASSES[0]}'").mark_text(
        align="left", dy=-round(step * 0.26), fontWeight="bold"
    )
    counts = base.transform_filter(f"datum.face == '{CLASSES[0]}'").mark_text(align="right", dy=-round(step * 0.26))
    chart = layered(
        bars,
        names.encode(x=x_at(0), text=alt.Text("teeth:N")),
        counts.transform_calculate(said="format(datum.n, ',') + ' adverse'").encode(
            x=x_at("width"), text=alt.Text("said:N")
        ),
        width=width,
        height=2 * step,
        description=corner_sentence(corners),
    )
    return dressed(chart, palette, large=large)
