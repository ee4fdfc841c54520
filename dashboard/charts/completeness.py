"""How complete each field is, year by year: a percentage a cell, the stronger in colour the more is missing."""

from __future__ import annotations

from typing import TYPE_CHECKING

import altair as alt
import polars as pl

from dashboard.charts.layers import layered
from dashboard.charts.places import x_at
from dashboard.theme import LIGHT, Palette, dressed, text_on, turning_point

if TYPE_CHECKING:
    from collections.abc import Sequence

    from warehouse.upkeep.data_quality import Completeness

ROW = 44


def completeness_frame(found: Sequence[Completeness]) -> pl.DataFrame:
    """One row a field and year."""
    rows = [
        {
            "field": one.field,
            "year": one.year,
            "n": one.n,
            "known": one.n_known,
            "share": one.n_known / one.n if one.n else None,
            "missing": 1 - one.n_known / one.n if one.n else None,
        }
        for one in found
    ]
    counts = dict.fromkeys(("n", "known"), pl.Int64)
    schema = {"field": pl.String, "year": pl.String, **counts, "share": pl.Float64, "missing": pl.Float64}
    return pl.DataFrame(rows, schema=schema)


def completeness_chart(
    found: Sequence[Completeness], *, palette: Palette = LIGHT, large: bool = False, width: int = 460
) -> alt.LayerChart:
    """Fields below each other, each with its name above its row of years."""
    frame = completeness_frame(found)
    fields = frame["field"].unique(maintain_order=True).to_list()
    base = alt.Chart(frame).encode(
        x=alt.X("year:O", title="year of start", axis=alt.Axis(labelAngle=0, orient="top")),
        y=alt.Y("field:N", sort=fields, axis=None),
        tooltip=[
            alt.Tooltip("field:N"),
            alt.Tooltip("year:N"),
            alt.Tooltip("known:Q", title="cases with it"),
            alt.Tooltip("n:Q", title="cases that should have it"),
        ],
    )
    shade = alt.Scale(domain=[0, 1], range=[palette.ground, palette.second], interpolate="rgb")
    cells = base.mark_rect(stroke=palette.line, height=20, yOffset=10).encode(
        color=alt.Color("missing:Q", scale=shade, legend=None)
    )
    turn = turning_point(palette.ground, palette.second)
    dark, light = text_on(palette.ground), text_on(palette.second)
    ink = alt.condition(f"datum.missing >= {turn}", alt.value(light), alt.value(dark))
    numbers = base.mark_text(yOffset=10, fontSize=16 if large else 11).encode(
        text=alt.Text("share:Q", format=".0%"), color=ink
    )
    first = frame.unique("field", keep="first", maintain_order=True)
    names = (
        alt.Chart(first)
        .mark_text(align="left", dy=-10, fontWeight="bold", limit=alt.ExprRef("width"))
        .encode(x=x_at(0), y=alt.Y("field:N", sort=fields, axis=None), text=alt.Text("field:N"))
    )
    chart = layered(
        cells, numbers, names, width=width, height=max(1, len(fields)) * ROW, description=completeness_alt(found)
    )
    return dressed(chart, palette, large=large)


def completeness_alt(found: Sequence[Completeness]) -> str:
    """Fields least complete first, over all years, in words."""
    totals: dict[str, tuple[int, int]] = {}
    for one in found:
        n, known = totals.get(one.field, (0, 0))
        totals[one.field] = n + one.n, known + one.n_known
    shares = sorted((known / n, field) for field, (n, known) in totals.items() if n)
    if not shares:
        return "No case, so nothing can be complete."
    listed = "; ".join(f"{field}: {share:.0%}" for share, field in shares[:6])
    return f"Completeness of {len(shares)} fields by year of start. Least complete: {listed}."
