"""How alike two groups were at the start, before and after weighting."""

from __future__ import annotations

from typing import TYPE_CHECKING

import altair as alt
import polars as pl

from dashboard.charts.layers import layered
from dashboard.charts.places import x_at
from dashboard.theme import LIGHT, Palette, dressed

if TYPE_CHECKING:
    from warehouse.analysis.balance import Balance

STAGES = ("as they came", "after weighting")
ALIKE = 0.1
"""Standardised difference below which groups count as alike (common practice, no source)."""


def variable_name(column: str) -> str:
    """A column of a design as it is read: a level after its variable, the bent parts of a curve by their number."""
    name = column.rstrip("'").replace("=", ": ")
    bends = len(column) - len(column.rstrip("'"))
    return name if not bends else f"{name}, its curve" if bends == 1 else f"{name}, its curve ({bends})"


def balance_frame(found: Balance) -> pl.DataFrame:
    """One row a variable and stage."""
    rows = [
        {"variable": variable_name(row.name), "stage": stage, "gap": abs(means.standardised_difference)}
        for row in found.rows
        for stage, means in zip(STAGES, (row.before, row.after), strict=True)
        if means.standardised_difference is not None
    ]
    return pl.DataFrame(rows, schema={"variable": pl.String, "stage": pl.String, "gap": pl.Float64})


def balance_chart(found: Balance, *, palette: Palette = LIGHT, large: bool = False, width: int = 460) -> alt.LayerChart:
    """Open circles before, filled diamonds after; the dashed line is where groups count as alike."""
    frame = balance_frame(found)
    step = 60 if large else 38
    variables = frame["variable"].unique(maintain_order=True).to_list()
    down, up = round(step * 0.2), -round(step * 0.2)
    base = alt.Chart(frame).encode(y=alt.Y("variable:N", sort=variables, axis=None))
    scale = alt.Scale(domain=list(STAGES), range=["circle", "diamond"])
    shades = alt.Scale(domain=list(STAGES), range=[palette.quiet, palette.main])
    legend = alt.Legend(title=None, orient="top")
    marks = base.mark_point(filled=True, size=90, opacity=1, yOffset=down).encode(
        x=alt.X("gap:Q", title="difference between the groups, in standard deviations"),
        shape=alt.Shape("stage:N", scale=scale, legend=legend),
        color=alt.Color("stage:N", scale=shades, legend=legend),
        tooltip=[alt.Tooltip("variable:N"), alt.Tooltip("stage:N"), alt.Tooltip("gap:Q", format=".2f")],
    )
    line = (
        alt.Chart(pl.DataFrame({"at": [ALIKE]}))
        .mark_rule(color=palette.second, strokeDash=[6, 3])
        .encode(x=alt.X("at:Q"))
    )
    first = frame.unique("variable", keep="first", maintain_order=True)
    names = (
        alt.Chart(first)
        .mark_text(align="left", dx=5, dy=up)
        .encode(x=x_at(0), y=alt.Y("variable:N", sort=variables, axis=None), text=alt.Text("variable:N"))
    )
    chart = layered(
        line, marks, names, width=width, height=max(1, len(variables)) * step, description=balance_alt(found)
    )
    return dressed(chart, palette, large=large)


def balance_alt(found: Balance) -> str:
    """How alike, in words."""
    if found.largest_before is None or found.largest_after is None:
        return "How alike the groups were cannot be judged."
    furthest = max(
        (row for row in found.rows if row.before.standardised_difference is not None),
        key=lambda row: abs(row.before.standardised_difference or 0.0),
    )
    name = variable_name(furthest.name)
    return (
        f"As they came, the groups differed most in {name}: {found.largest_before:.1f} standard deviations."
        f" After weighting the largest difference is {found.largest_after:.1f}."
    )
