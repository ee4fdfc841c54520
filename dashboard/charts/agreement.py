"""First against second reading (the picture of Bland and Altman): difference against mean, bias and limits."""

from __future__ import annotations

from typing import TYPE_CHECKING

import altair as alt
import polars as pl

from dashboard.charts.layers import layered
from dashboard.charts.places import x_at
from dashboard.theme import LIGHT, Palette, dressed
from warehouse.words.numbers import signed
from warehouse.words.readings import agreement_alt

if TYPE_CHECKING:
    from warehouse.repeats.repeats import Repeats

MOST_DOTS = 3_000


def agreement_frame(repeats: Repeats) -> pl.DataFrame:
    """One row a record: mean and difference of its two readings."""
    return repeats.frame.head(MOST_DOTS).select(
        "examiner",
        mean=(pl.col("first") + pl.col("second")) / 2,
        difference=pl.col("first") - pl.col("second"),
    )


def agreement_chart(
    repeats: Repeats, *, palette: Palette = LIGHT, large: bool = False, width: int = 460
) -> alt.LayerChart:
    """The dots, the bias as a line, the limits of agreement as dashed lines."""
    dots = (
        alt.Chart(agreement_frame(repeats))
        .mark_point(color=palette.main, size=34, strokeWidth=1.2)
        .encode(
            x=alt.X(
                "mean:Q",
                title=[f"{repeats.label}", f"mean of the two readings, {repeats.unit}"],
                scale=alt.Scale(zero=False),
            ),
            y=alt.Y("difference:Q", title=f"first minus second, {repeats.unit}"),
            tooltip=[
                alt.Tooltip("examiner:N"),
                alt.Tooltip("mean:Q", format=".1f"),
                alt.Tooltip("difference:Q", format="+.1f"),
            ],
        )
    )
    chart = layered(
        dots, *_lines(repeats, palette), width=width, height=380 if large else 300, description=agreement_alt(repeats)
    )
    return dressed(chart, palette, large=large)


def _lines(repeats: Repeats, palette: Palette) -> list[alt.Chart]:
    found = repeats.agreement
    marks = [
        {"at": estimate.value, "said": f"{name} {signed(estimate.value, digits=2)}", "is_limit": name != "bias"}
        for name, estimate in (("upper limit", found.upper), ("bias", found.bias), ("lower limit", found.lower))
        if estimate.value is not None
    ]
    if not marks:
        return []
    base = alt.Chart(pl.DataFrame(marks)).encode(y=alt.Y("at:Q"))
    dash = alt.condition("datum.is_limit", alt.value([6, 3]), alt.value([1, 0]))
    rule = base.mark_rule(color=palette.second, strokeWidth=2).encode(strokeDash=dash)
    words = base.mark_text(align="right", dy=-8, color=palette.second).encode(x=x_at("width"), text=alt.Text("said:N"))
    return [rule, words]
