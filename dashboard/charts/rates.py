"""Shares by group: a point for the share, a bar for its interval, a thin line for what the missing could do."""

from __future__ import annotations

from typing import TYPE_CHECKING

import altair as alt
import polars as pl

from dashboard.theme import LIGHT, Palette, dressed
from warehouse.wording import level_name, percent, percent_range

if TYPE_CHECKING:
    from warehouse.rates import GroupRate, Rates

ROW_HEIGHT = 34


def rates_frame(result: Rates) -> pl.DataFrame:
    """One row a group: what the chart shows, already worded."""
    return pl.DataFrame(
        [_row(position, group) for position, group in enumerate(result.groups)],
        schema_overrides=dict.fromkeys(("share", "low", "high", "if_none", "if_all"), pl.Float64),
    )


def _row(position: int, group: GroupRate) -> dict[str, object]:
    interval = group.rate.interval
    known = group.rate.value is not None and interval is not None
    return {
        "position": position,
        "group": f"{group.label}  ({group.n_adverse} of {group.n_assessable})",
        "share": group.rate.value,
        "low": interval.low if known and interval else None,
        "high": interval.high if known and interval else None,
        "if_none": group.if_none.value if known else None,
        "if_all": group.if_all.value if known else None,
        "said": f"{percent(group.rate.value)} ({percent_range(interval)})" if known else "none counted",
    }


def rates_chart(result: Rates, *, palette: Palette = LIGHT, large: bool = False, width: int = 460) -> alt.LayerChart:
    """Shares by group with intervals and bounds."""
    frame = rates_frame(result)
    y = alt.Y("group:N", sort=frame["group"].to_list(), title=None)
    top = max(
        0.05, *(value for value in frame["if_all"].to_list() + frame["high"].to_list() if value is not None), 0.05
    )
    scale = alt.Scale(domain=[0, min(1.0, top * 1.05)])
    x = alt.X("share:Q", scale=scale, axis=alt.Axis(format="%", title="share of counted cases that went adverse"))
    base = alt.Chart(frame).encode(y=y)
    tooltip = [
        alt.Tooltip("group:N", title="group (adverse of counted)"),
        alt.Tooltip("said:N", title="share (interval)"),
    ]
    bounds = base.mark_rule(color=palette.quiet, strokeDash=[2, 3]).encode(x=x.copy(), x2="if_all:Q")
    bounds = bounds.encode(x=alt.X("if_none:Q", scale=scale, title=""))
    intervals = base.mark_rule(color=palette.main, strokeWidth=5, opacity=0.45).encode(
        x=alt.X("low:Q", scale=scale, title=""), x2="high:Q"
    )
    points = base.mark_point(color=palette.main, filled=True, size=90, shape="diamond", opacity=1).encode(
        x=x, tooltip=tooltip
    )
    layers = alt.layer(bounds, intervals, points)
    chart = layers.properties(
        width=width, height=max(1, frame.height) * ROW_HEIGHT * (1.4 if large else 1), description=rates_alt(result)
    )
    return dressed(chart, palette, large=large)


def rates_alt(result: Rates) -> str:
    """What the chart shows, in words, for those who do not see it."""
    title = result.by.title if result.by else "All cases"
    rows = rates_frame(result)
    listed = "; ".join(f"{group}: {said}" for group, said in zip(rows["group"], rows["said"], strict=True))
    return (
        f"{title}. Share adverse under {result.definition.name} with {level_name(result.level)}."
        f" {listed}. Dotted lines: share if none, or all, of the missing went adverse."
    )
