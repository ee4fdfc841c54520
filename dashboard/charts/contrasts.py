"""Differences of shares with their intervals, one below the other about the line of no difference."""

from __future__ import annotations

from typing import TYPE_CHECKING

import altair as alt
import polars as pl

from dashboard.charts.layers import layered
from dashboard.charts.places import x_at
from dashboard.theme import LIGHT, Palette, dressed
from warehouse.words.numbers import points_range, signed

if TYPE_CHECKING:
    from collections.abc import Mapping

    from warehouse.results import Estimate

ROW_HEIGHT = 46


def contrasts_frame(named: Mapping[str, Estimate], *, main: str = "") -> pl.DataFrame:
    """One row a difference: name -> estimate, in percentage points; ``main`` is the one that counts."""
    rows = [
        {
            "position": position,
            "name": name,
            "value": None if found.value is None else 100 * found.value,
            "low": 100 * found.interval.low if found.interval else None,
            "high": 100 * found.interval.high if found.interval else None,
            "said": "not known"
            if found.value is None
            else f"{signed(100 * found.value)} ({points_range(found.interval)})",
            "is_main": name == main,
        }
        for position, (name, found) in enumerate(named.items())
    ]
    numbers = dict.fromkeys(("value", "low", "high"), pl.Float64)
    schema = {"position": pl.Int64, "name": pl.String, **numbers, "said": pl.String, "is_main": pl.Boolean}
    return pl.DataFrame(rows, schema=schema)


def contrasts_chart(
    named: Mapping[str, Estimate],
    *,
    main: str = "",
    title: str = "difference in percentage points; right of 0 is worse",
    palette: Palette = LIGHT,
    large: bool = False,
    width: int = 460,
) -> alt.LayerChart:
    """The chart; the difference that counts has a filled mark and a name with a star."""
    frame, said = contrasts_frame(named, main=main), contrasts_alt(named, main=main)
    return differences_chart(frame, said=said, title=title, palette=palette, large=large, width=width)


def differences_chart(
    frame: pl.DataFrame,
    *,
    said: str,
    title: str = "difference in percentage points; right of 0 is worse",
    palette: Palette = LIGHT,
    large: bool = False,
    width: int = 460,
) -> alt.LayerChart:
    """The chart of a frame as made by :func:`contrasts_frame`; ``said`` is its text alternative."""
    frame = frame.with_columns(shown=pl.when("is_main").then(pl.format("★ {}", "name")).otherwise("name"))
    step = ROW_HEIGHT * (1.6 if large else 1)
    down, up = round(step * 0.18), -round(step * 0.2)
    base = alt.Chart(frame).encode(
        y=alt.Y("position:O", axis=None),
        tooltip=[alt.Tooltip("name:N"), alt.Tooltip("said:N", title="percentage points")],
    )
    x = alt.X("value:Q", title=title)
    zero = alt.Chart(pl.DataFrame({"at": [0.0]})).mark_rule(color=palette.ink, strokeWidth=1.5).encode(x=alt.X("at:Q"))
    intervals = base.mark_rule(color=palette.main, strokeWidth=6, opacity=0.45, yOffset=down, y2Offset=down).encode(
        x=alt.X("low:Q", title=""), x2=alt.X2("high")
    )
    fill = alt.condition("datum.is_main", alt.value(palette.main), alt.value(palette.ground))
    marks = base.mark_point(
        stroke=palette.main, size=110, shape="diamond", opacity=1, strokeWidth=2, yOffset=down
    ).encode(x=x, fill=fill)
    names = base.mark_text(align="left", dx=5, dy=up, fontWeight="bold", limit=alt.ExprRef("width - 150"))
    numbers = base.mark_text(align="right", dy=up)
    chart = layered(
        zero,
        intervals,
        marks,
        names.encode(x=x_at(0), text=alt.Text("shown:N")),
        numbers.encode(x=x_at("width"), text=alt.Text("said:N")),
        width=width,
        height=max(1, frame.height) * step,
        description=said,
    )
    return dressed(chart, palette, large=large)


def contrasts_alt(named: Mapping[str, Estimate], *, main: str = "") -> str:
    """The differences read aloud."""
    rows = contrasts_frame(named, main=main).iter_rows(named=True)
    listed = "; ".join(f"{row['name']}: {row['said']}" for row in rows)
    return f"Differences in percentage points with their intervals. {listed}."
