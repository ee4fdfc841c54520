"""The sampling frame as bars: how many cases reached each stage, and why the others did not."""

from __future__ import annotations

from typing import TYPE_CHECKING

import altair as alt
import polars as pl

from dashboard.theme import LIGHT, Palette, dressed

if TYPE_CHECKING:
    from warehouse.flow import Flow, StageCount


def sampling_frame_rows(flow: Flow) -> pl.DataFrame:
    """One row a stage: cases that reached it, and what is said of those that went no further."""
    return pl.DataFrame(
        [{"stage": stage.title, "n": stage.n, "lost": losses_in_words(stage)} for stage in flow.stages],
        schema={"stage": pl.String, "n": pl.Int64, "lost": pl.String},
    )


def losses_in_words(stage: StageCount) -> str:
    """Why cases went no further than a stage, most frequent first."""
    ordered = sorted(stage.losses, key=lambda loss: -loss.n)
    return "; ".join(f"{loss.n} {loss.reason}" for loss in ordered)


def sampling_chart(flow: Flow, *, palette: Palette = LIGHT, large: bool = False, width: int = 460) -> alt.LayerChart:
    """Bars from started to counted."""
    frame = sampling_frame_rows(flow)
    y = alt.Y("stage:N", sort=frame["stage"].to_list(), title=None)
    base = alt.Chart(frame).encode(y=y)
    bars = base.mark_bar(color=palette.main, opacity=0.75, height={"band": 0.55}).encode(
        x=alt.X("n:Q", title="cases"),
        tooltip=[alt.Tooltip("stage:N"), alt.Tooltip("n:Q"), alt.Tooltip("lost:N", title="went no further")],
    )
    counts = base.mark_text(align="left", dx=5, color=palette.ink).encode(x="n:Q", text="n:Q")
    chart = alt.layer(bars, counts).properties(width=width, height=frame.height * 40, description=sampling_alt(flow))
    return dressed(chart, palette, large=large)


def sampling_alt(flow: Flow) -> str:
    """The frame in words."""
    listed = []
    for stage in flow.stages:
        lost = losses_in_words(stage)
        listed.append(f"{stage.title}: {stage.n}" + (f" (then lost: {lost})" if lost else ""))
    return "Sampling frame. " + ". ".join(listed) + "."
