"""A dot for every case: finish against start, and the change beyond ordinary growth against age.

Class is told by shape as well as by colour: adverse cases are filled triangles, the others open circles.
"""

from collections.abc import Collection
from typing import Any

import altair as alt
import polars as pl

from dashboard.charts.figure import WIDTH, by_kind, finished, hover, level
from dashboard.theme import LIGHT, Palette, dressed
from warehouse.cases.case_dots import CaseDots
from warehouse.words.readings import line_sentence

AREA = "area"
ONE = "one"
CHANGE = "change, plus is worse"


def dots_chart(dots: CaseDots, palette: Palette = LIGHT) -> alt.LayerChart:
    """Finish against start, with the line of ordinary growth and the band of measuring error.

    An area or a dot can be chosen (parameters ``area`` and ``one``).
    """
    first, second = dots.times
    x = alt.X("before:Q", title=[f"{dots.label}", f"at the {first}, {dots.unit}"], scale=_span(dots))
    y = alt.Y("after:Q", title=f"at the {second}, {dots.unit}", scale=_span(dots))
    tooltip = hover(case="case", before=f"{first}|.1f", after=f"{second}|.1f", beyond=f"{CHANGE}|+.1f", status="status")
    marks = _dots(dots.frame.select("case", "before", "after", "beyond", "status"), palette).encode(
        x=x, y=y, tooltip=tooltip
    )
    marks = marks.add_params(
        alt.selection_interval(name=AREA, encodings=["x", "y"]), alt.selection_point(name=ONE, fields=["case"])
    )
    return dressed(
        alt.layer(*_growth(dots, palette), marks, width=WIDTH, height=420, description=dots_alt(dots)), palette
    )


def beyond_chart(dots: CaseDots, palette: Palette = LIGHT, *, picked: Collection[str] = ()) -> alt.LayerChart:
    """Change beyond expectation against age at start; cases picked in the other picture stand out by size and ring."""
    frame = dots.frame.select("case", "age_at_start", "beyond", "status", "appliance").drop_nulls("age_at_start")
    frame = frame.with_columns(is_picked=pl.col("case").is_in(list(picked)))
    marks = _dots(frame, palette, dimmed=bool(picked)).encode(
        x=alt.X(  # even steps are equal ratios, so that adults do not squeeze the children together
            "age_at_start:Q",
            title="age at start, years",
            scale=alt.Scale(type="log", zero=False, nice=False, padding=8),
            axis=alt.Axis(values=[5, 6, 7, 8, 9, 10, 12, 14, 16, 18, 20, 25, 30, 40, 50, 60], format="d"),
        ),
        y=alt.Y("beyond:Q", title=["change, " + dots.unit, "(up is worse)"]),
        tooltip=hover(
            case="case",
            age_at_start="age at start|.1f",
            beyond=f"{CHANGE}|+.1f",
            appliance="appliance",
            status="status",
        ),
    )
    line = level(dots.part.threshold, f"threshold {dots.part.threshold:g}", palette.adverse)
    return finished([marks, *line], palette, height=300, said=beyond_alt(dots, picked))


def _dots(frame: pl.DataFrame, palette: Palette, *, dimmed: bool = False) -> alt.Chart:
    classes = {
        "adverse": ("triangle-up", palette.adverse, palette.adverse),
        "not adverse": ("circle", palette.main, palette.main),
    }
    looks = by_kind("status", classes, legend=alt.Legend(title=None, orient="top"))
    filled = alt.FillOpacityValue(0.0, condition=_where("datum.status == 'adverse'", 0.85))
    emphasis: dict[str, Any] = {
        "size": alt.SizeValue(24, condition=_where("datum.is_picked", 110)),
        "opacity": alt.OpacityValue(0.35, condition=_where("datum.is_picked", 1.0)),
    }
    marks: alt.Chart = alt.Chart(frame).mark_point(size=42, strokeWidth=1.2)
    return marks.encode(fillOpacity=filled, **looks, **(emphasis if dimmed else {}))


def _where(test: str, value: float) -> alt.ConditionalPredicateValueDefnumberExprRef:
    """A value for the marks of which the test is true; as a condition Altair would try it against every kind it has."""
    return alt.ConditionalPredicateValueDefnumberExprRef(test=test, value=value)


def _span(dots: CaseDots) -> alt.Scale:
    """One range for both axes, so that the line of no change runs from corner to corner."""
    values = [*dots.frame["before"].to_list(), *dots.frame["after"].to_list()]
    return alt.Scale(domain=[min(values, default=0), max(values, default=1)], nice=True, zero=False)


def _growth(dots: CaseDots, palette: Palette) -> list[alt.Chart]:
    """The line of the middle expected change, and the band of measuring error about it."""
    if dots.frame.is_empty():
        return []
    values = [*dots.frame["before"].to_list(), *dots.frame["after"].to_list()]
    shift = dots.expected if dots.part.basis == "growth_adjusted" and dots.expected is not None else 0.0
    error = dots.band.mdc95 or 0.0
    ends = pl.DataFrame({"before": [min(values), max(values)]}).with_columns(
        middle=pl.col("before") + shift, low=pl.col("before") + shift - error, high=pl.col("before") + shift + error
    )
    base = alt.Chart(ends).encode(x=alt.X("before:Q"))
    line = base.mark_line(color=palette.second, strokeWidth=2, clip=True).encode(y=alt.Y("middle:Q"))
    band = base.mark_area(color=palette.second, opacity=0.16, clip=True).encode(y=alt.Y("low:Q"), y2=alt.Y2("high"))
    return [band, line] if error else [line]


def dots_alt(dots: CaseDots) -> str:
    """What the dots show, in words."""
    first, second = dots.times
    n_adverse = int((dots.frame["status"] == "adverse").sum())
    return (
        f"{dots.label} at the {second} against the {first}: one dot for each of {dots.n_drawn:,} cases,"
        f" {n_adverse:,} of them adverse. {line_sentence(dots)}"
    )


def beyond_alt(dots: CaseDots, picked: Collection[str] = ()) -> str:
    """What the second picture shows, in words."""
    chosen = f" {len(picked):,} cases are picked out." if picked else ""
    return (
        f"Change of each case against its age at start, more is worse; the threshold is {dots.part.threshold:g}"
        f" {dots.unit}.{chosen}"
    )
