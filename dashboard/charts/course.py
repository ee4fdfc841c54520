"""Courses in time: of one case's measure, every set of records; and of the share over the years of start."""

from dataclasses import dataclass
from math import inf

import altair as alt
import polars as pl

from dashboard.charts.figure import ChartFigure, finished, hover, y_at
from dashboard.charts.intervals import CHOSEN, shares_figure
from dashboard.theme import LIGHT, Palette
from warehouse.cases.case_dots import MeanCourse
from warehouse.questions.shares import Rates
from warehouse.words.sentences import say


def course_chart(course: pl.DataFrame, palette: Palette = LIGHT, *, label: str, unit: str) -> alt.LayerChart:
    """The measure at each time, joined; columns timepoint, months_from_start and value."""
    base = alt.Chart(course).encode(
        x=alt.X("months_from_start:Q", title="months from start"),
        y=alt.Y("value:Q", title=[label, unit], scale=alt.Scale(zero=False, padding=18)),
    )
    line = base.mark_line(color=palette.main, strokeWidth=2)
    dots = base.mark_point(color=palette.main, filled=True, size=70, opacity=1)
    words = base.mark_text(align="left", dx=6, dy=-10).encode(text=alt.Text("said:N"))
    words = words.transform_calculate(said="format(datum.value, '.1f') + ' ' + replace(datum.timepoint, '_', '-')")
    return finished([line, dots, words], palette, height=220, said=course_alt(course, label, unit))


def course_alt(course: pl.DataFrame, label: str, unit: str) -> str:
    """The course in words."""
    listed = "; ".join(
        f"{row['timepoint'].replace('_', '-')} {row['value']:.1f} at {row['months_from_start']:.0f} months"
        for row in course.iter_rows(named=True)
    )
    return f"{label} in {unit}: {listed}." if listed else f"{label} was never read."


class Years(ChartFigure):
    """The share of each year of start with its interval; a click gives back the year."""

    __slots__ = ()
    heights = (150, 420)

    def layers(self, palette: Palette, *, large: bool) -> list[alt.Chart]:
        """Intervals, the line through the shares, and their marks."""
        top = min(1.0, max([0.1, *self.frame["high"].drop_nulls().to_list()]))
        base = alt.Chart(self.frame).encode(
            x=alt.X("code:O", title="started in", axis=alt.Axis(labelAngle=0, labelOverlap="greedy")),
            tooltip=hover(name="started in", said="with interval", counts="adverse of counted"),
        )
        share = alt.Y("value:Q", title="", scale=alt.Scale(domain=[0, top]), axis=alt.Axis(format="%", tickCount=4))
        bars = base.mark_rule(color=palette.main, strokeWidth=4, opacity=0.45).encode(y=alt.Y("low:Q"), y2="high:Q")
        marks = base.mark_point(color=palette.main, shape="diamond", filled=True, size=200 if large else 80, opacity=1)
        area = base.mark_bar(opacity=0, cursor="pointer").encode(y=y_at(0), y2=alt.Y2Value("height"))  # type: ignore[no-untyped-call]
        chosen = alt.selection_point(name=CHOSEN, fields=["code"], on="click", empty=False)
        line = base.mark_line(color=palette.main, strokeWidth=1.5)
        return [bars, line.encode(y=share), marks.encode(y=share), area.add_params(chosen)]


def years_figure(result: Rates) -> Years:
    """The shares by year of start."""
    full = shares_figure(result)
    codes = pl.Series([group.group for group in result.groups], dtype=pl.String)
    return Years(frame=full.frame.with_columns(code=codes), alt=full.alt)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Slopes(ChartFigure):
    """Means from start to finish, one row a line and time: ``name`` (it ``stands`` at a height), ``at``, ``value``."""

    axis: str  # What is measured, with its unit

    def layers(self, palette: Palette, *, large: bool) -> list[alt.Chart]:
        """The lines with their names at the right."""
        room = alt.Scale(type="point", paddingOuter=1, align=0.1)  # at the right, for the names
        base = alt.Chart(self.frame).encode(
            x=alt.X("at:O", sort=None, title="", axis=alt.Axis(labelAngle=0), scale=room),
            y=alt.Y("value:Q", title=self.axis, scale=alt.Scale(zero=False, padding=18)),
            detail="name:N",
        )
        dash = alt.StrokeDash(
            "is_expected:N", scale=alt.Scale(domain=[False, True], range=[[1, 0], [6, 4]]), legend=None
        )
        words = base.mark_text(align="left", dx=10).encode(y="stands:Q", text=alt.Text("said:N"))
        return [
            base.mark_line(color=palette.main, strokeWidth=4 if large else 2.5).encode(strokeDash=dash),
            base.mark_point(color=palette.main, filled=True, size=200 if large else 70, opacity=1),
            words.transform_filter("datum.at == 'finish'"),
        ]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Panels(ChartFigure):
    """The same beside each other for each practice, on one scale; ``short`` is its number and n."""

    heights = (170, 420)
    axis: list[str]  # What is measured, with its unit

    def layers(self, palette: Palette, *, large: bool) -> list[alt.Chart]:
        """A line for each practice, and a dashed one for what was expected of it."""
        short = alt.Axis(labelAngle=0, labelExpr="split(datum.value, '|')", labelLimit=0)
        base = alt.Chart(self.frame).encode(
            x=alt.X("short:N", sort=None, title="practice by size, and its number of cases", axis=short),
            xOffset=alt.XOffset("at:N", sort=["start", "finish"]),
            y=alt.Y("value:Q", title=self.axis, scale=alt.Scale(zero=False, padding=18)),
            detail=["name:N", "is_expected:N"],
            tooltip=hover(name="practice", said="mean"),
        )
        expected, found = (base.transform_filter(f"{sign}datum.is_expected") for sign in ("", "!"))
        return [
            expected.mark_line(strokeWidth=1.5, strokeDash=[4, 3], color=palette.second),
            found.mark_line(strokeWidth=4 if large else 2.5, color=palette.main),
            found.mark_point(filled=True, size=200 if large else 60, opacity=1, color=palette.main),
        ]


def panels_figure(courses: MeanCourse) -> Panels:
    """Means from start to finish, all practices together first."""
    rows = [
        {"name": one.name, "short": f"{one.name.split()[-1] if place else 'all'}|{one.n:,}", "at": at}
        | {"value": round(value, 1), "said": f"{at} {value:.1f}", "is_expected": is_expected}
        for place, one in enumerate(courses.rows)
        for is_expected, finish in ((False, one.finish), (True, one.expected))
        for at, value in (("start", one.start), ("finish", finish))
        if finish is not None and value is not None
    ]
    listed = "; ".join(f"{one.name}: {one.start:.1f} to {one.finish:.1f}, n = {one.n:,}" for one in courses.rows)
    axis = [*courses.label.split(", "), courses.unit]
    alt_text = say("course.panels_alt", axis=", ".join(axis), listed=listed)
    return Panels(frame=pl.DataFrame(rows), alt=alt_text, axis=axis)


def slopes_figure(course: MeanCourse) -> Slopes:
    """The lines of a mean course, each from its start to its finish."""
    lines = [(f"{one.name}, n = {one.n:,}", one.start, one.finish, False) for one in course.rows]
    whole = course.rows[0]
    if whole.expected is not None:
        lines.append((say("course.expected"), whole.start, whole.expected, True))
    known = [value for _, start, finish, _ in lines for value in (start, finish)]
    gap, free, stands = 0.08 * (max(known) - min(known)), -inf, {}
    for name, _, finish, _ in sorted(lines, key=lambda line: line[2]):  # names keep clear of each other
        stands[name] = free = max(finish, free + gap)
    rows = [
        {"name": name, "at": at, "value": round(value, 1), "said": f"{name}: {value:.1f}", "is_expected": is_expected}
        | {"stands": stands[name]}
        for name, start, finish, is_expected in lines
        for at, value in (("start", start), ("finish", finish))
    ]
    listed = "; ".join(f"{name}: {start:.1f} to {finish:.1f}" for name, start, finish, _ in lines)
    axis = f"{course.label}, {course.unit}"
    return Slopes(frame=pl.DataFrame(rows), alt=f"{axis}, mean at the start and at the finish. {listed}.", axis=axis)
