"""The sampling frame as bars: how many cases reached each stage, and why the others did not."""

from __future__ import annotations

from typing import TYPE_CHECKING

import altair as alt
import polars as pl

from dashboard.charts.layers import layered
from dashboard.charts.places import x_at
from dashboard.theme import LIGHT, Palette, dressed

if TYPE_CHECKING:
    from warehouse.cases.flow import Flow, StageCount


def sampling_frame_rows(flow: Flow) -> pl.DataFrame:
    """One row a stage: cases that reached it, and what is said of those that went no further."""
    return pl.DataFrame(
        [_row(stage) for stage in flow.stages],
        schema={"stage": pl.String, "n": pl.Int64, "lost": pl.String, "said": pl.String, "fewer": pl.String},
    )


def _row(stage: StageCount) -> dict[str, object]:
    return {
        "stage": stage.title,
        "n": stage.cases.n,
        "lost": losses_listed(stage),
        "said": f"{stage.title}: {stage.cases.shown}",
        "fewer": f"{stage.fewer:,} went no further" if stage.fewer else "",
    }


def losses_listed(stage: StageCount) -> str:
    """Why cases went no further than a stage, most frequent first."""
    ordered = sorted(stage.losses, key=lambda loss: -loss.cases.n)
    return "; ".join(f"{loss.cases.n} {loss.reason}" for loss in ordered)


def sampling_chart(flow: Flow, *, palette: Palette = LIGHT, large: bool = False, width: int = 460) -> alt.LayerChart:
    """Bars from started to counted, each with its name and number above it and the cases lost after it at the right."""
    frame = sampling_frame_rows(flow)
    return stages_chart(frame, said=sampling_alt(flow), palette=palette, large=large, width=width)


def stages_chart(
    frame: pl.DataFrame, *, said: str, palette: Palette = LIGHT, large: bool = False, width: int = 460
) -> alt.LayerChart:
    """The chart of a frame as made by :func:`sampling_frame_rows`; ``said`` is its text alternative."""
    step = 74 if large else 46
    down, up = round(step * 0.2), -round(step * 0.16)
    base = alt.Chart(frame).encode(
        y=alt.Y("stage:N", sort=frame["stage"].to_list(), axis=None),
        tooltip=[alt.Tooltip("stage:N"), alt.Tooltip("n:Q"), alt.Tooltip("lost:N", title="went no further")],
    )
    x = alt.X("n:Q", axis=None, scale=alt.Scale(domain=[0, max([1, *frame["n"].drop_nulls().to_list()])]))
    bars = base.mark_bar(color=palette.main, opacity=0.75, height=round(step * 0.3), yOffset=down).encode(x=x)
    names = base.mark_text(align="left", dy=up, fontWeight="bold").encode(x=x_at(0), text=alt.Text("said:N"))
    lost = base.mark_text(align="right", dy=up, color=palette.quiet).encode(x=x_at("width"), text=alt.Text("fewer:N"))
    chart = layered(bars, names, lost, width=width, height=frame.height * step, description=said)
    return dressed(chart, palette, large=large)


def sampling_alt(flow: Flow) -> str:
    """The frame in words."""
    listed = []
    for stage in flow.stages:
        lost = losses_listed(stage)
        listed.append(f"{stage.title}: {stage.cases.n}" + (f" (then lost: {lost})" if lost else ""))
    return "Sampling frame. " + ". ".join(listed) + "."
