"""Two groupings crossed: a row a group, a column a level, the share and its counts written in every cell."""

from __future__ import annotations

from typing import TYPE_CHECKING

import altair as alt
import polars as pl

from dashboard.charts.layers import layered
from dashboard.charts.places import x_at
from dashboard.theme import LIGHT, Palette, dressed, text_on, turning_point
from warehouse.words.numbers import percent

if TYPE_CHECKING:
    from warehouse.questions.crossed import CrossedComparison

ROW = 62
FEW = 10
"""Cases below which a cell is drawn with a dashed edge."""


def crossed_frame(found: CrossedComparison) -> pl.DataFrame:
    """One row a cell."""
    rows = [
        {
            "group": found.groups[cell.group],
            "level": found.levels[cell.level],
            "share": cell.share.value,
            "percent": percent(cell.share.value, digits=0) if cell.n else "—",
            "counts": f"{cell.n_adverse:,} of {cell.n:,}" if cell.n else "no case",
            "is_few": cell.n < FEW,
        }
        for cell in found.cells
    ]
    texts = dict.fromkeys(("group", "level", "percent", "counts"), pl.String)
    return pl.DataFrame(rows, schema={**texts, "share": pl.Float64, "is_few": pl.Boolean})


def crossed_chart(
    found: CrossedComparison, *, palette: Palette = LIGHT, large: bool = False, width: int = 460
) -> alt.LayerChart:
    """The cells, shaded by share; cells of few cases are pale, whatever their share."""
    frame = crossed_frame(found)
    groups, levels = list(found.groups.values()), list(found.levels.values())
    top = max(frame.filter(~pl.col("is_few"))["share"].drop_nulls().to_list(), default=1.0) or 1.0
    lines = max((len(level.split(" ")) for level in levels), default=1)
    room = 4 + 14 * (lines - 1)
    axis = alt.Axis(labelAngle=0, orient="top", labelExpr="split(datum.label, ' ')", labelLimit=90, labelPadding=room)
    base = alt.Chart(frame).encode(
        x=alt.X("level:N", sort=levels, title=found.by2.title, axis=axis),
        y=alt.Y("group:N", sort=groups, axis=None),
        tooltip=[alt.Tooltip("group:N"), alt.Tooltip("level:N"), alt.Tooltip("percent:N"), alt.Tooltip("counts:N")],
    )
    shade = alt.Scale(domain=[0, top], range=[palette.ground, palette.adverse], clamp=True, interpolate="rgb")
    cells = base.mark_rect(stroke=palette.line, height=36, yOffset=12).encode(
        color=alt.Color("share:Q", scale=shade, legend=None),
        opacity=alt.condition("datum.is_few", alt.value(0.25), alt.value(1)),
    )
    turn = turning_point(palette.ground, palette.adverse) * top
    dark, light = text_on(palette.ground), text_on(palette.adverse)
    ink = alt.condition(f"datum.share >= {turn} && !datum.is_few", alt.value(light), alt.value(dark))
    size = 16 if large else 12
    shares = base.mark_text(yOffset=5, fontSize=size, fontWeight="bold").encode(text=alt.Text("percent:N"), color=ink)
    counts = base.mark_text(yOffset=20, fontSize=size - 2).encode(text=alt.Text("counts:N"), color=ink)
    first = frame.unique("group", keep="first", maintain_order=True)
    names = (
        alt.Chart(first)
        .mark_text(align="left", dy=-16, fontWeight="bold", limit=alt.ExprRef("width"))
        .encode(x=x_at(0), y=alt.Y("group:N", sort=groups, axis=None), text=alt.Text("group:N"))
    )
    chart = layered(
        cells, shares, counts, names, width=width, height=max(1, len(groups)) * ROW, description=crossed_alt(found)
    )
    return dressed(chart, palette, large=large)


def crossed_alt(found: CrossedComparison) -> str:
    """Every cell with a case, in words."""
    rows = (row for row in crossed_frame(found).iter_rows(named=True) if row["percent"] != "—")
    listed = "; ".join(f"{row['group']}, {row['level']}: {row['percent']} ({row['counts']})" for row in rows)
    return f"Share adverse by {found.by.title.lower()} and {found.by2.title.lower()}. {listed}."
