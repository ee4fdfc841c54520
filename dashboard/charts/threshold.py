"""Share adverse against the threshold: how much the answer hangs on one number."""

from __future__ import annotations

from typing import TYPE_CHECKING

import altair as alt
import polars as pl

from dashboard.charts.layers import layered
from dashboard.charts.places import y_at
from dashboard.theme import LIGHT, Palette, dressed
from warehouse.words.numbers import percent

if TYPE_CHECKING:
    from warehouse.questions.threshold import ThresholdCurve


def threshold_frame(curve: ThresholdCurve) -> pl.DataFrame:
    """One row a threshold: share and interval."""
    return pl.DataFrame(
        [
            {
                "threshold": point.threshold,
                "share": point.rate.value,
                "low": point.rate.interval.low if point.rate.interval else None,
                "high": point.rate.interval.high if point.rate.interval else None,
                "n_adverse": point.n_adverse,
                "n": curve.n,
            }
            for point in curve.points
        ],
        schema_overrides=dict.fromkeys(("threshold", "share", "low", "high"), pl.Float64),
    )


def threshold_chart(
    curve: ThresholdCurve, *, palette: Palette = LIGHT, large: bool = False, width: int = 460
) -> alt.LayerChart:
    """The curve with its band, and a line at the threshold in force."""
    frame = threshold_frame(curve)
    unit = "degrees" if any(measure.endswith("_deg") for measure in (curve.part.measures if curve.part else ())) else ""
    x = alt.X("threshold:Q", title=f"threshold in {unit}" if unit else "threshold")
    share = alt.Axis(format="%", title="share adverse")
    base = alt.Chart(frame)
    band = base.mark_area(color=palette.main, opacity=0.22).encode(x=x, y=alt.Y("low:Q", axis=share), y2=alt.Y2("high"))
    line = base.mark_line(color=palette.main, strokeWidth=2.5).encode(x=x, y=alt.Y("share:Q", axis=share))
    dots = base.mark_point(color=palette.main, filled=True, size=30).encode(
        x=x,
        y=alt.Y("share:Q", axis=share),
        tooltip=[
            alt.Tooltip("threshold:Q"),
            alt.Tooltip("share:Q", format=".1%"),
            alt.Tooltip("n_adverse:Q", title="adverse"),
            alt.Tooltip("n:Q", title="counted"),
        ],
    )
    mark = _in_force(curve, palette)
    chart = layered(
        band, line, dots, *mark, width=width, height=420 if large else 260, description=threshold_alt(curve)
    )
    return dressed(chart, palette, large=large)


def _in_force(curve: ThresholdCurve, palette: Palette) -> list[alt.Chart]:
    if curve.part is None:
        return []
    place = pl.DataFrame({"threshold": [curve.part.threshold], "said": [f"in force: {curve.part.threshold:g}"]})
    rule = (
        alt.Chart(place)
        .mark_rule(color=palette.adverse, strokeDash=[6, 3], strokeWidth=2)
        .encode(x=alt.X("threshold:Q"))
    )
    text = (
        alt.Chart(place)
        .mark_text(align="left", dx=6, baseline="top", color=palette.adverse)
        .encode(x=alt.X("threshold:Q"), y=y_at(4), text=alt.Text("said:N"))
    )
    return [rule, text]


def threshold_alt(curve: ThresholdCurve) -> str:
    """What the picture shows, in words."""
    if curve.part is None or not curve.points or curve.n == 0:
        return "No curve: the definition has several parts, or no case could be counted."
    shown = [point for point in curve.points if point.threshold in (0, 1, 2, 3, 4, 5)]
    listed = "; ".join(f"{point.threshold:g}: {percent(point.rate.value)}" for point in shown)
    return (
        f"Share of {curve.n} counted cases at or beyond each threshold, under {curve.definition.name}. {listed}."
        f" The threshold in force is {curve.part.threshold:g}."
    )
