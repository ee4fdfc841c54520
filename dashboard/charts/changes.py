"""How far every counted case moved: a histogram that meets at the threshold, over the band of measuring error."""

from __future__ import annotations

from typing import TYPE_CHECKING

import altair as alt
import polars as pl

from dashboard.charts.layers import layered
from dashboard.charts.places import words, y_at
from dashboard.theme import LIGHT, Palette, dressed

if TYPE_CHECKING:
    from warehouse.questions.spread import ChangePicture

CLASSES = ("adverse", "not adverse")


def changes_frame(picture: ChangePicture) -> pl.DataFrame:
    """One row a bin and class with a case in it."""
    rows = [
        {"low": one.low, "high": one.high, "class": name, "n": n}
        for one in picture.bins
        for name, n in zip(CLASSES, (one.n_adverse, one.n_not_adverse), strict=True)
        if n
    ]
    return pl.DataFrame(rows, schema={"low": pl.Float64, "high": pl.Float64, "class": pl.String, "n": pl.Int64})


def changes_chart(
    picture: ChangePicture, *, palette: Palette = LIGHT, large: bool = False, width: int = 460
) -> alt.LayerChart:
    """The histogram with the threshold and the band of measuring error."""
    layers = [*_band(picture, palette), _bars(picture, palette), *_marks(picture, palette)]
    chart = layered(*layers, width=width, height=420 if large else 280, description=changes_alt(picture))
    return dressed(chart, palette, large=large)


def _bars(picture: ChangePicture, palette: Palette) -> alt.Chart:
    tallest = max((one.n_adverse + one.n_not_adverse for one in picture.bins), default=1)
    shades = alt.Scale(domain=list(CLASSES), range=[palette.adverse, palette.band])
    tooltip = [alt.Tooltip("low:Q", title="from"), alt.Tooltip("high:Q", title="to below")]
    bars: alt.Chart = (
        alt.Chart(changes_frame(picture))
        .mark_bar(strokeWidth=1, opacity=1, binSpacing=0, stroke=palette.quiet)
        .encode(
            x=alt.X("low:Q", bin="binned", title=axis_lines(picture)),
            x2=alt.X2("high"),
            y=alt.Y("n:Q", title="cases", stack=True, scale=alt.Scale(domain=[0, tallest * 1.25])),
            color=alt.Color("class:N", scale=shades, legend=alt.Legend(title=None, orient="top")),
            order=alt.Order("class:N", sort="descending"),
            tooltip=[*tooltip, alt.Tooltip("class:N", title="class"), alt.Tooltip("n:Q", title="cases")],
        )
    )
    return bars


def axis_lines(picture: ChangePicture) -> list[str]:
    """What lies on the axis, with its unit and which way is worse, in lines short enough for a telephone."""
    if picture.part is None:
        return []
    adjusted = " beyond ordinary growth" if picture.part.basis == "growth_adjusted" else ""
    return [picture.label, f"{picture.part.direction} in {picture.unit}{adjusted}", "(right is worse)"]


def _band(picture: ChangePicture, palette: Palette) -> list[alt.Chart]:
    if picture.band.mdc95 is None or not picture.bins:
        return []
    place = pl.DataFrame({"low": [-picture.band.mdc95], "high": [picture.band.mdc95]})
    return [
        alt.Chart(place).mark_rect(color=palette.second, opacity=0.18).encode(x=alt.X("low:Q"), x2=alt.X2("high")),
        alt.Chart(place)
        .mark_text(align="center", baseline="top", color=palette.second, dy=4)
        .encode(x=alt.XDatum(0), y=y_at(0), text=words("within", "measuring error")),
    ]


def _marks(picture: ChangePicture, palette: Palette) -> list[alt.Chart]:
    if picture.part is None or not picture.bins:
        return []
    place = pl.DataFrame({"at": [picture.part.threshold], "said": [f"threshold {picture.part.threshold:g}"]})
    base = alt.Chart(place).encode(x=alt.X("at:Q"))
    return [
        base.mark_rule(color=palette.adverse, strokeDash=[6, 3], strokeWidth=2),
        base.mark_text(align="left", dx=6, dy=4, baseline="top", color=palette.adverse).encode(
            y=y_at(0), text=alt.Text("said:N")
        ),
    ]


def changes_alt(picture: ChangePicture) -> str:
    """What the picture shows, in words."""
    if picture.part is None or picture.quartiles is None:
        return "No picture: no case could be counted."
    lower, median, upper = picture.quartiles
    error = picture.band.mdc95
    within = "not known" if error is None else f"plus or minus {error:.1f} {picture.unit}"
    return (
        f"{', '.join(axis_lines(picture))}. Half of the {picture.n:,} counted cases lie between {lower:.1f} and"
        f" {upper:.1f}, the middle one at {median:.1f}. {picture.n_beyond:,} lie at or beyond the threshold of"
        f" {picture.part.threshold:g}. Measuring error: {within}."
    )
