"""Teeth against face: two bars of cases, teeth improved and not, each divided by what the face did."""

import altair as alt
import polars as pl

from dashboard.charts.figure import finished, hover, in_order, x_at
from dashboard.theme import LIGHT, Palette
from warehouse.analysis.corners import FourCorners
from warehouse.words.changes import corner_sentence

CLASSES = ("face adverse", "face not adverse")
STEP = 62


def corners_chart(corners: FourCorners, palette: Palette = LIGHT) -> alt.LayerChart:
    """The bars; one row a corner, with where its piece of the bar lies."""
    pairs = (
        ("teeth improved", corners.better_adverse, corners.better_not_adverse),
        ("teeth not improved", corners.not_better_adverse, corners.not_better_not_adverse),
    )
    rows = [
        {"teeth": f"{teeth}: {adverse + other:,} cases", "face": face, "low": low, "high": low + n, "n": n}
        for teeth, adverse, other in pairs
        for face, low, n in zip(CLASSES, (0, adverse), (adverse, other), strict=True)
    ]
    base = alt.Chart(pl.DataFrame(rows)).encode(y=in_order("teeth"))
    shades = alt.Scale(domain=list(CLASSES), range=[palette.adverse, palette.band])
    bars = base.mark_bar(stroke=palette.quiet, strokeWidth=1, height=round(STEP * 0.42), yOffset=round(STEP * 0.16))
    bars = bars.encode(
        x=alt.X("low:Q", title="cases", scale=alt.Scale(nice=False)),
        x2=alt.X2("high"),
        color=alt.Color("face:N", scale=shades, legend=alt.Legend(title=None, orient="top")),
        tooltip=hover(teeth="teeth", face="face", n="cases"),
    )
    adverse = base.transform_filter(f"datum.face == '{CLASSES[0]}'")
    names = adverse.mark_text(align="left", dy=-round(STEP * 0.26), fontWeight="bold")
    counts = adverse.transform_calculate(said="format(datum.n, ',') + ' adverse'")
    counts = counts.mark_text(align="right", dy=-round(STEP * 0.26))
    layers = [
        bars,
        names.encode(x=x_at(0), text=alt.Text("teeth:N")),
        counts.encode(x=x_at("width"), text=alt.Text("said:N")),
    ]
    return finished(layers, palette, height=2 * STEP, said=corner_sentence(corners))
