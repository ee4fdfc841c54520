"""What the missing could do: the share counted, between the shares if none or all of the missing went adverse."""

from __future__ import annotations

from typing import TYPE_CHECKING

import altair as alt
import polars as pl

from dashboard.charts.layers import layered
from dashboard.charts.places import y_at
from dashboard.theme import LIGHT, Palette, dressed
from warehouse.words.numbers import percent
from warehouse.words.shares import bounds_sentence

if TYPE_CHECKING:
    from warehouse.questions.shares import GroupRow


def bounds_frame(group: GroupRow) -> pl.DataFrame:
    """One row a mark: where it stands and what is said there."""
    marks = (("if none", group.if_none.value), ("counted", group.rate.value), ("if all", group.if_all.value))
    known = [
        {"mark": mark, "share": value, "said": f"{mark}: {percent(value)}"}
        for mark, value in marks
        if value is not None
    ]
    return pl.DataFrame(known, schema={"mark": pl.String, "share": pl.Float64, "said": pl.String})


def bounds_chart(group: GroupRow, *, palette: Palette = LIGHT, large: bool = False, width: int = 460) -> alt.LayerChart:
    """A line from the lower to the upper bound, with the share counted marked on it."""
    frame = bounds_frame(group)
    top = max([0.05, *frame["share"].to_list()])
    x = alt.X(
        "share:Q", scale=alt.Scale(domain=[0, min(1.0, top * 1.1)]), axis=alt.Axis(format="%", title="share adverse")
    )
    height = 150 if large else 88
    y, off = y_at(round(height * 0.52)), 30 if large else 18
    base = alt.Chart(frame)
    span = base.mark_rule(color=palette.quiet, strokeWidth=3, strokeDash=[2, 3]).encode(
        x=alt.X("min(share):Q", title=""), x2=alt.X2("max(share)"), y=y
    )
    shape = alt.Shape(
        "mark:N",
        legend=None,
        scale=alt.Scale(domain=["if none", "counted", "if all"], range=["triangle-right", "diamond", "triangle-left"]),
    )
    points = base.mark_point(color=palette.main, filled=True, size=360 if large else 150, opacity=1).encode(
        x=x, y=y, shape=shape, tooltip=[alt.Tooltip("said:N", title="share")]
    )
    outer = (
        base.transform_filter("datum.mark != 'counted'").mark_text(dy=-off).encode(x=x, y=y, text=alt.Text("said:N"))
    )
    inner = (
        base.transform_filter("datum.mark == 'counted'")
        .mark_text(dy=off + 4, fontWeight="bold")
        .encode(x=x, y=y, text=alt.Text("said:N"))
    )
    chart = layered(span, points, outer, inner, width=width, height=height, description=bounds_sentence(group))
    return dressed(chart, palette, large=large)
