"""Practices by size: limits that chance alone would keep them within, and wider ones that allow for their spread.

One's own practice is a filled triangle with its name; the others are open circles. A practice whose count is hidden is
not drawn: its place would give the count away.
"""

from dataclasses import dataclass

import altair as alt
import polars as pl

from dashboard.charts.figure import ChartFigure, by_kind, hover
from dashboard.theme import Palette
from warehouse.pooled.result import SharePool
from warehouse.words.numbers import between, percent
from warehouse.words.pooled import funnel_sentence

YOURS, OTHER = "yours", "other practices"
_PAD = 1.1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FunnelPlot(ChartFigure):
    """One row a practice whose counts are shown, among limits. No tag is in it."""

    heights = (320, 460)

    edges: pl.DataFrame  # One row a corner of the limits: n, level, whether they allow for spread, low and high
    target: float | None  # The share that practices are held against

    def layers(self, palette: Palette, *, large: bool) -> list[alt.Chart]:
        """Limits with their names, the share held against, and the practices."""
        points, edges = self.frame, self.edges
        x = alt.X("n:Q", title="cases counted", scale=alt.Scale(zero=False, nice=False, domain=self._sizes()))
        top = alt.Scale(domain=self._shares())
        low, high = (alt.Y(f"{end}:Q", scale=top, title="") for end in ("low", "high"))
        chance = edges.filter(~pl.col("spread"))
        band = alt.Chart(edges.filter(pl.col("spread") & (pl.col("level") == "95%"))).encode(x=x)
        limits = [
            alt.Chart(chance.filter(pl.col("level") == level))
            .mark_line(color=palette.quiet, strokeWidth=1.5, strokeDash=dash, clip=True)
            .encode(x=x, y=end)
            for level, dash in (("95%", [1, 0]), ("99.8%", [6, 4]))
            for end in (low, high)
        ]
        ends = alt.Chart(chance.sort("n").group_by("level", maintain_order=True).last())
        said = hover(
            name="practice", said="adverse of counted", chance="for chance alone", spread="allowing for spread"
        )
        y = alt.Y("share:Q", title="share adverse", axis=alt.Axis(format="%"), scale=top)
        marks = alt.Chart(points).mark_point(size=110, strokeWidth=2, opacity=1)
        kinds = {
            YOURS: ("triangle-up", palette.adverse, palette.adverse),
            OTHER: ("circle", palette.main, palette.ground),
        }
        own = points.filter(pl.col("kind") == YOURS)
        name = alt.Chart(own).mark_text(align="center", dy=-16, fontWeight="bold")
        at = alt.Chart(pl.DataFrame({"at": [self.target]})).mark_rule(color=palette.ink, strokeWidth=1.5)
        return [
            band.mark_area(color=palette.second, opacity=0.16, clip=True).encode(y=low, y2=alt.Y2("high")),
            *limits,
            *([] if self.target is None else [at.encode(y=alt.Y("at:Q", title=""))]),
            ends.mark_text(align="right", dy=-10, color=palette.quiet).encode(x=x, y=high, text=alt.Text("level:N")),
            marks.encode(x=x, y=y, tooltip=said, **by_kind("kind", kinds)),
            *([] if own.is_empty() else [name.encode(x=x, y=y, text=alt.Text("name:N"))]),
        ]

    def _sizes(self) -> list[float]:
        sizes: list[float] = [*self.frame["n"].to_list(), *self.edges["n"].to_list()]
        least = min(self.frame["n"].to_list(), default=0)
        return [max(0.0, least / _PAD - 1), max(sizes, default=1.0)]

    def _shares(self) -> list[float]:
        """From 0 to a little above what is drawn; limits of the very smallest practices may run out of the picture."""
        smallest = min(self.frame["n"].to_list(), default=1)
        highs: list[float] = self.edges.filter(pl.col("n") >= smallest)["high"].to_list()
        return [0.0, min(1.0, max([0.05, *self.frame["share"].to_list(), *highs]) * 1.05)]


def funnel_figure(pool: SharePool, *, mine: str = "") -> FunnelPlot:
    """Practices by their size; ``mine`` is the tag of one's own."""
    points = [
        {
            "n": one.n,
            "share": one.share,
            "kind": YOURS if mine and one.tag == mine else OTHER,
            "name": f"{one.label}, yours" if mine and one.tag == mine else one.label,
            "said": f"{one.adverse} of {one.counted}: {percent(one.share)} ({between(one.low, one.high)})",
            "chance": one.position,
            "spread": one.position_spread,
        }
        for one in pool.lines
        if one.position and one.share is not None
    ]
    texts = dict.fromkeys(("kind", "name", "said", "chance", "spread"), pl.String)
    frame = pl.DataFrame(points, schema={"n": pl.Int64, "share": pl.Float64, **texts})
    listed = "; ".join(
        f"{row['name']}: {row['said'].split(': ')[1]}, {row['chance']} for chance alone"
        for row in frame.iter_rows(named=True)
    )
    smallest = min((one.n for one in pool.lines if one.position), default=1)
    edges = [
        {"n": one.n, "level": f"{100 * one.level:g}%", "spread": one.spread, "low": one.low, "high": one.high}
        for one in pool.edges
        if one.n >= smallest / 2
    ]
    limits = {"n": pl.Int64, "level": pl.String, "spread": pl.Boolean, "low": pl.Float64, "high": pl.Float64}
    return FunnelPlot(
        frame=frame,
        alt=f"Share adverse against the number of cases counted. {funnel_sentence(pool)} {listed}.",
        edges=pl.DataFrame(edges, schema=limits),
        target=pool.target,
    )
