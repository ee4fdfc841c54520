"""How far every counted case moved: a histogram that meets at the threshold, over the band of measuring error."""

from dataclasses import dataclass

import altair as alt
import polars as pl

from dashboard.charts.figure import ChartFigure, hover, upright, words, y_at
from dashboard.theme import Palette
from warehouse.questions.spread import ChangePicture
from warehouse.words.sentences import say

CLASSES = ("adverse", "not adverse")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Histogram(ChartFigure):
    """Cases in bins, by class; one row a bin and class with a case in it."""

    picture: ChangePicture

    def layers(self, palette: Palette, *, large: bool) -> list[alt.Chart]:
        """The band of measuring error, the bars and the threshold."""
        picture = self.picture
        tallest = max((one.n_adverse + one.n_not_adverse for one in picture.bins), default=1)
        shades = alt.Scale(domain=list(CLASSES), range=[palette.adverse, palette.band])
        bars = alt.Chart(self.frame).mark_bar(strokeWidth=1, opacity=1, binSpacing=0, stroke=palette.quiet)
        bars = bars.encode(
            x=alt.X("low:Q", bin="binned", title=axis_lines(picture)),
            x2=alt.X2("high"),
            y=alt.Y("n:Q", title="cases", stack=True, scale=alt.Scale(domain=[0, tallest * 1.25])),
            color=alt.Color("class:N", scale=shades, legend=alt.Legend(title=None, orient="top")),
            order=alt.Order("class:N", sort="descending"),
            tooltip=hover(low="from", high="to below", **{"class": "class"}, n="cases"),
        )
        if not picture.bins or picture.part is None:
            return [bars]
        at = picture.part.threshold
        return [*_band(picture.band.mdc95, palette), bars, *upright(at, f"threshold {at:g}", palette.adverse)]


def _band(mdc95: float | None, palette: Palette) -> list[alt.Chart]:
    if mdc95 is None:
        return []
    base = alt.Chart(pl.DataFrame({"low": [-mdc95], "high": [mdc95]}))
    name = base.mark_text(align="center", baseline="top", color=palette.second, dy=4)
    return [
        base.mark_rect(color=palette.second, opacity=0.18).encode(x=alt.X("low:Q"), x2=alt.X2("high")),
        name.encode(x=alt.XDatum(0), y=y_at(0), text=words("within", "measuring error")),
    ]


def axis_lines(picture: ChangePicture) -> list[str]:
    """What lies on the axis, with its unit and which way is worse, in lines short enough for a telephone."""
    if picture.part is None:
        return []
    adjusted = " beyond ordinary growth" if picture.part.basis == "growth_adjusted" else ""
    return [picture.label, f"{picture.part.direction} in {picture.unit}{adjusted}", "(right is worse)"]


def changes_figure(picture: ChangePicture) -> Histogram:
    """The changes in bins."""
    rows = [
        {"low": one.low, "high": one.high, "class": name, "n": n}
        for one in picture.bins
        for name, n in zip(CLASSES, (one.n_adverse, one.n_not_adverse), strict=True)
        if n
    ]
    schema = {"low": pl.Float64, "high": pl.Float64, "class": pl.String, "n": pl.Int64}
    return Histogram(frame=pl.DataFrame(rows, schema=schema), alt=_alt(picture), picture=picture)


def _alt(picture: ChangePicture) -> str:
    if picture.part is None or picture.quartiles is None:
        return "No picture: no case could be counted."
    lower, median, upper = picture.quartiles
    error = picture.band.mdc95
    within = "not known" if error is None else f"plus or minus {error:.1f} {picture.unit}"
    told = {"lower": lower, "median": median, "upper": upper}
    return say("picture.changes", axis=axis_lines(picture), picture=picture, within=within, **told)
