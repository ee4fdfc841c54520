"""The sampling frame as bars: how many cases reached each stage, and why the others did not."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import altair as alt
import polars as pl

from dashboard.charts.figure import ChartFigure, hover, in_order, x_at
from dashboard.theme import Palette
from warehouse.cases.flow import Flow, StageCount

_WORDS = ("stage", "lost", "said", "fewer")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stages(ChartFigure):
    """Bars from started to counted, each with its name and number above it and the cases lost after it at the right."""

    step: int = 46  # Pixels of a bar and its words

    def height(self, *, large: bool) -> float:
        """So many bars below each other."""
        return self.frame.height * (74 if large else self.step)

    def layers(self, palette: Palette, *, large: bool) -> list[alt.Chart]:
        """Bars and the words above them."""
        step = 74 if large else self.step
        up = -round(step * 0.16)
        base = alt.Chart(self.frame).encode(
            y=in_order("stage"), tooltip=hover(stage="stage", n="cases|,", lost="went no further")
        )
        scale = alt.Scale(domain=[0, max([1, *self.frame["n"].drop_nulls().to_list()])])
        bars = base.mark_bar(color=palette.main, opacity=0.75, height=round(step * 0.3), yOffset=round(step * 0.2))
        names = base.mark_text(align="left", dy=up, fontWeight="bold")
        lost = base.mark_text(align="right", dy=up, color=palette.quiet)
        return [
            bars.encode(x=alt.X("n:Q", axis=None, scale=scale)),
            names.encode(x=x_at(0), text=alt.Text("said:N")),
            lost.encode(x=x_at("width"), text=alt.Text("fewer:N")),
        ]


def stages_frame(rows: Iterable[Mapping[str, object]]) -> pl.DataFrame:
    """One row a stage: cases that reached it (none where hidden), and what is said of those that went no further."""
    listed = [{**row, "said": f"{row['stage']}: {row['said']}"} for row in rows]
    return pl.DataFrame(listed, schema={**dict.fromkeys(_WORDS, pl.String), "n": pl.Float64})


def losses_listed(stage: StageCount) -> str:
    """Why cases went no further than a stage, most frequent first."""
    ordered = sorted(stage.losses, key=lambda loss: -loss.cases.n)
    return "; ".join(f"{loss.cases.n} {loss.reason}" for loss in ordered)


def sampling_figure(flow: Flow) -> Stages:
    """The stages of a sampling frame."""
    rows, listed = [], []
    for stage in flow.stages:
        lost = losses_listed(stage)
        fewer = f"{stage.fewer:,} went no further" if stage.fewer else ""
        rows.append({"stage": stage.title, "n": stage.cases.n, "lost": lost, "said": stage.cases.shown, "fewer": fewer})
        listed.append(f"{stage.title}: {stage.cases.n}" + (f" (then lost: {lost})" if lost else ""))
    return Stages(frame=stages_frame(rows), alt=f"Sampling frame. {'. '.join(listed)}.")
