"""Practices by size: limits that chance alone would keep them within, and wider ones that allow for their spread.

One's own practice is a filled triangle with its name; the others are open circles. A practice whose count is hidden is
not drawn: its place would give the count away.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import altair as alt
import polars as pl

from dashboard.theme import LIGHT, Palette, dressed
from warehouse.words.numbers import between, percent
from warehouse.words.pooled import funnel_sentence

if TYPE_CHECKING:
    from warehouse.pooled.result import SharePool

YOURS, OTHER = "yours", "other practices"
_PAD = 1.1


def points_frame(found: SharePool, *, mine: str = "") -> pl.DataFrame:
    """One row a practice whose counts are shown; ``mine`` is the tag of one's own. No tag is in it."""
    rows = [
        {
            "n": one.n,
            "share": one.share,
            "kind": YOURS if mine and one.tag == mine else OTHER,
            "name": f"{one.label}, yours" if mine and one.tag == mine else one.label,
            "said": f"{one.adverse} of {one.counted}: {percent(one.share)} ({between(one.low, one.high)})",
            "chance": one.position,
            "spread": one.position_spread,
        }
        for one in found.lines
        if one.position and one.share is not None
    ]
    texts = dict.fromkeys(("kind", "name", "said", "chance", "spread"), pl.String)
    return pl.DataFrame(rows, schema={"n": pl.Int64, "share": pl.Float64, **texts})


def edges_frame(found: SharePool) -> pl.DataFrame:
    """One row a corner of the limits, from the smallest practice drawn on."""
    smallest = min((one.n for one in found.lines if one.position), default=1)
    rows = [
        {"n": one.n, "level": f"{100 * one.level:g}%", "spread": one.spread, "low": one.low, "high": one.high}
        for one in found.edges
        if one.n >= smallest / 2
    ]
    numbers = {"low": pl.Float64, "high": pl.Float64}
    return pl.DataFrame(rows, schema={"n": pl.Int64, "level": pl.String, "spread": pl.Boolean, **numbers})


def funnel_chart(
    found: SharePool, *, mine: str = "", palette: Palette = LIGHT, large: bool = False, width: int = 460
) -> alt.LayerChart:
    """The picture."""
    points, edges = points_frame(found, mine=mine), edges_frame(found)
    x = alt.X("n:Q", title="cases counted", scale=alt.Scale(zero=False, nice=False, domain=_sizes(points, edges)))
    y = alt.Y(
        "share:Q", title="share adverse", axis=alt.Axis(format="%"), scale=alt.Scale(domain=_shares(points, edges))
    )
    top = alt.Scale(domain=_shares(points, edges))
    inner = alt.Chart(edges.filter(pl.col("spread") & (pl.col("level") == "95%")))
    band = inner.mark_area(color=palette.second, opacity=0.16, clip=True).encode(
        x=x, y=alt.Y("low:Q", scale=top, title=""), y2=alt.Y2("high")
    )
    limits = [
        alt.Chart(edges.filter(~pl.col("spread") & (pl.col("level") == level)))
        .mark_line(color=palette.quiet, strokeWidth=1.5, strokeDash=dash, clip=True)
        .encode(x=x, y=alt.Y(f"{end}:Q", scale=top, title=""))
        for level, dash in (("95%", [1, 0]), ("99.8%", [6, 4]))
        for end in ("low", "high")
    ]
    chart = alt.layer(
        band, *limits, *_target(found, palette), *_names(edges, x, top, palette), *_dots(points, x, y, palette)
    )
    chart = chart.properties(width=width, height=460 if large else 320, description=funnel_alt(found, mine=mine))
    return dressed(chart, palette, large=large)


def _dots(points: pl.DataFrame, x: alt.X, y: alt.Y, palette: Palette) -> list[alt.Chart]:
    kinds = [YOURS, OTHER]
    shape = alt.Shape("kind:N", scale=alt.Scale(domain=kinds, range=["triangle-up", "circle"]), legend=None)
    stroke = alt.Stroke("kind:N", scale=alt.Scale(domain=kinds, range=[palette.adverse, palette.main]), legend=None)
    fill = alt.Fill("kind:N", scale=alt.Scale(domain=kinds, range=[palette.adverse, palette.ground]), legend=None)
    said = [
        alt.Tooltip("name:N", title="practice"),
        alt.Tooltip("said:N", title="adverse of counted"),
        alt.Tooltip("chance:N", title="for chance alone"),
        alt.Tooltip("spread:N", title="allowing for spread"),
    ]
    base = alt.Chart(points)
    marks = base.mark_point(size=110, strokeWidth=2, opacity=1).encode(
        x=x, y=y, shape=shape, stroke=stroke, fill=fill, tooltip=said
    )
    own = points.filter(pl.col("kind") == YOURS)
    if own.is_empty():
        return [marks]
    name = alt.Chart(own).mark_text(align="center", dy=-16, fontWeight="bold")
    return [marks, name.encode(x=x, y=y, text=alt.Text("name:N"))]


def _target(found: SharePool, palette: Palette) -> list[alt.Chart]:
    if found.target is None:
        return []
    at = pl.DataFrame({"at": [found.target]})
    return [alt.Chart(at).mark_rule(color=palette.ink, strokeWidth=1.5).encode(y=alt.Y("at:Q", title=""))]


def _names(edges: pl.DataFrame, x: alt.X, top: alt.Scale, palette: Palette) -> list[alt.Chart]:
    """The level of each limit in words, at its right end."""
    ends = edges.filter(~pl.col("spread")).sort("n").group_by("level", maintain_order=True).last()
    text = alt.Chart(ends).mark_text(align="right", dy=-10, color=palette.quiet)
    return [text.encode(x=x, y=alt.Y("high:Q", scale=top, title=""), text=alt.Text("level:N"))]


def _sizes(points: pl.DataFrame, edges: pl.DataFrame) -> list[float]:
    sizes: list[float] = [*points["n"].to_list(), *edges["n"].to_list()]
    least = min(points["n"].to_list(), default=0)
    return [max(0.0, least / _PAD - 1), max(sizes, default=1.0)]


def _shares(points: pl.DataFrame, edges: pl.DataFrame) -> list[float]:
    """From 0 to a little above what is drawn; limits of the very smallest practices may run out of the picture."""
    smallest = min(points["n"].to_list(), default=1)
    highs: list[float] = edges.filter(pl.col("n") >= smallest)["high"].to_list()
    return [0.0, min(1.0, max([0.05, *points["share"].to_list(), *highs]) * 1.05)]


def funnel_alt(found: SharePool, *, mine: str = "") -> str:
    """What the picture shows, in words."""
    points = points_frame(found, mine=mine)
    listed = "; ".join(
        f"{row['name']}: {row['said'].split(': ')[1]}, {row['chance']} for chance alone"
        for row in points.iter_rows(named=True)
    )
    return f"Share adverse against the number of cases counted. {funnel_sentence(found)} {listed}."
