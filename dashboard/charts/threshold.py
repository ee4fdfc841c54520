"""Share adverse against the threshold: how much the answer hangs on one number."""

from dataclasses import dataclass

import altair as alt
import polars as pl

from dashboard.charts.figure import ChartFigure, hover, upright
from dashboard.theme import Palette
from warehouse.questions.threshold import ThresholdCurve
from warehouse.words.numbers import percent
from warehouse.words.sentences import say


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Curve(ChartFigure):
    """A share with its band along thresholds, and a line at the threshold in force."""

    heights = (260, 420)

    in_force: float | None
    unit: str  # Of the threshold; empty where it has none

    def layers(self, palette: Palette, *, large: bool) -> list[alt.Chart]:
        """Band, line, dots and the threshold in force."""
        x = alt.X("threshold:Q", title=f"threshold in {self.unit}" if self.unit else "threshold")
        axis = alt.Axis(format="%", title="share adverse")
        base = alt.Chart(self.frame).encode(x=x, y=alt.Y("share:Q", axis=axis))
        band = base.mark_area(color=palette.main, opacity=0.22)
        tooltip = hover(threshold="threshold", share="share|.1%", n_adverse="adverse", n="counted")
        return [
            band.encode(y=alt.Y("low:Q", axis=axis), y2=alt.Y2("high")),
            base.mark_line(color=palette.main, strokeWidth=2.5),
            base.mark_point(color=palette.main, filled=True, size=30).encode(tooltip=tooltip),
            *([] if self.in_force is None else upright(self.in_force, f"we use {self.in_force:g}", palette.adverse)),
        ]


def threshold_figure(curve: ThresholdCurve, unit: str) -> Curve:
    """One row a threshold: share and interval; ``unit`` is that of the threshold."""
    rows = [
        {
            "threshold": point.threshold,
            "share": point.rate.value,
            "low": point.rate.interval.low if point.rate.interval else None,
            "high": point.rate.interval.high if point.rate.interval else None,
            "n_adverse": point.n_adverse,
            "n": curve.n,
        }
        for point in curve.points
    ]
    frame = pl.DataFrame(rows, schema_overrides=dict.fromkeys(("threshold", "share", "low", "high"), pl.Float64))
    return Curve(frame=frame, alt=_alt(curve), in_force=curve.part.threshold if curve.part else None, unit=unit)


def _alt(curve: ThresholdCurve) -> str:
    if curve.part is None or not curve.points or curve.n == 0:
        return "No curve: the definition has several parts, or no case could be counted."
    shown = [point for point in curve.points if point.threshold in (0, 1, 2, 3, 4, 5)]
    listed = "; ".join(f"{point.threshold:g}: {percent(point.rate.value)}" for point in shown)
    return say("picture.threshold", curve=curve, listed=listed)
