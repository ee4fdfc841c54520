"""How alike two groups were at the start, before and after weighting."""

import altair as alt
import polars as pl

from dashboard.charts.figure import by_kind, finished, hover, in_order, upright, x_at
from dashboard.theme import LIGHT, Palette
from warehouse.analysis.balance import Balance
from warehouse.words.sentences import say

STEP = 38
STAGES = ("as they came", "after weighting")
ALIKE = 0.1
"""Standardised difference below which groups count as alike (common practice, no source)."""


def variable_name(column: str) -> str:
    """A column of a design as it is read: a level after its variable, the bent parts of a curve by their number."""
    name = column.rstrip("'").replace("=", ": ")
    bends = len(column) - len(column.rstrip("'"))
    return name if not bends else f"{name}, its curve" if bends == 1 else f"{name}, its curve ({bends})"


def balance_chart(found: Balance, palette: Palette = LIGHT) -> alt.LayerChart:
    """Circles before, diamonds after, one row a variable; at the dashed line groups count as alike."""
    rows = [
        {"variable": variable_name(row.name), "stage": stage, "gap": abs(means.standardised_difference)}
        for row in found.rows
        for stage, means in zip(STAGES, (row.before, row.after), strict=True)
        if means.standardised_difference is not None
    ]
    frame = pl.DataFrame(rows, schema={"variable": pl.String, "stage": pl.String, "gap": pl.Float64})
    first = frame.unique("variable", keep="first", maintain_order=True)
    kinds = dict(
        zip(STAGES, (("circle", palette.quiet, palette.quiet), ("diamond", palette.main, palette.main)), strict=True)
    )
    marks = alt.Chart(frame).mark_point(size=90, opacity=1, yOffset=round(STEP * 0.2))
    marks = marks.encode(
        x=alt.X("gap:Q", title="difference between the groups, in standard deviations"),
        y=in_order("variable"),
        tooltip=hover(variable="variable", stage="stage", gap="gap|.2f"),
        **by_kind("stage", kinds, legend=alt.Legend(title=None, orient="top")),
    )
    names = alt.Chart(first).mark_text(align="left", dx=5, dy=-round(STEP * 0.2))
    names = names.encode(x=x_at(0), y=in_order("variable"), text=alt.Text("variable:N"))
    line, _ = upright(ALIKE, "", palette.second)
    return finished([line, marks, names], palette, height=max(1, first.height) * STEP, said=balance_alt(found))


def balance_alt(found: Balance) -> str:
    """How alike, in words."""
    if found.largest_before is None or found.largest_after is None:
        return "How alike the groups were cannot be judged."
    furthest = max(
        (row for row in found.rows if row.before.standardised_difference is not None),
        key=lambda row: abs(row.before.standardised_difference or 0.0),
    )
    return say("picture.balance", name=variable_name(furthest.name), found=found)
