"""Charts that can be edited in the presentation itself: bars, points and columns, drawn from a figure.

They hold the numbers that are printed and no others. The sheet behind bars has the value, both ends of its interval and
the distances to them; the error bars are taken from there, so that editing the sheet moves them.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import ceil
from typing import Any

import polars as pl
from pptx.chart.axis import _BaseAxis
from pptx.chart.chart import Chart
from pptx.chart.data import CategoryChartData, XyChartData
from pptx.enum.chart import (
    XL_CHART_TYPE,
    XL_LABEL_POSITION,
    XL_LEGEND_POSITION,
    XL_MARKER_STYLE,
    XL_TICK_LABEL_POSITION,
)
from pptx.enum.dml import MSO_LINE
from pptx.oxml import parse_xml
from pptx.oxml.ns import nsdecls
from pptx.shapes.graphfrm import GraphicFrame
from pptx.slide import Slide
from pptx.util import Inches, Pt

from dashboard.charts.changes import Histogram
from dashboard.charts.course import Panels, Slopes
from dashboard.charts.figure import ChartFigure
from dashboard.charts.funnel import FunnelPlot
from dashboard.charts.intervals import Intervals
from dashboard.charts.sampling import Stages
from dashboard.charts.threshold import Curve
from dashboard.report.formats.slides.deck import FACE, SMALL, rgb, set_alt
from dashboard.theme import LIGHT
from warehouse.export_safety import neutralise
from warehouse.words.numbers import percent
from warehouse.words.sentences import say

FILL = "#8fbac4"
"""Colour of bars: dark text on it is read easily."""

PRACTICES = "practices"
HIGH = ", high"
"""End of the name of a line that is the upper one of a pair, of which the legend names the lower alone."""

MOST_PANELS = 8  # on a slide, all together among them
NARROW = 7.0  # inches below which numbers on an axis of shares stand further apart, and bars are named by counts alone
Box = tuple[float, float, float, float]  # left, top, width and height in inches

Row = Mapping[str, Any]
Line = Sequence[tuple[float, float]]
Look = tuple[str, float, Any]
"""Colour, weight in points and dashes of a line."""


@dataclass(frozen=True, slots=True)
class Unit:
    """How numbers of a kind are put on a sheet and on an axis."""

    series: str  # What the numbers are
    times: float  # Of the figure's number
    digits: int
    on_axis: str  # Number format of the axis

    def number(self, value: float | None) -> float | None:
        """As printed."""
        return None if value is None else round(self.times * value, self.digits) + 0.0


UNITS = {
    "share": Unit("share adverse, %", 100, 1, '0"%"'),
    "points": Unit("difference, points", 1, 1, "+0;−0;0"),
    "mean": Unit("mean change", 1, 2, "+0.0;−0.0;0"),
}
_SHARE = UNITS["share"]


def draw(slide: Slide, figure: ChartFigure, *, title: str, box: Box, size: int = SMALL) -> None:
    """The figure as a chart of its kind, with its text alternative."""
    drawers: dict[type[ChartFigure], Callable[..., GraphicFrame]] = {
        Intervals: _intervals,
        Stages: _stages,
        Histogram: _columns,
        Curve: _curve,
        FunnelPlot: _funnel,
        Slopes: _slopes,
        Panels: _panels,
    }
    set_alt(drawers[type(figure)](slide, figure, box, size), title=title, text=figure.alt)


def _intervals(slide: Slide, figure: Intervals, box: Box, size: int) -> GraphicFrame:
    """Estimates as bars from zero with their intervals; each is named with its numbers at the left."""
    rows = figure.frame.rows(named=True)
    last = "said" if figure.unit != "share" else "counts" if box[2] < NARROW else ""
    labels = [f"{row['name']}: {row[last]}" if last else label(row) for row in rows]
    unit = UNITS[figure.unit]
    return bars(slide, labels, {unit.series: rows}, unit, figure.axis, box=box, size=size)


def label(row: Row) -> str:
    """A share with its name and counts."""
    return f"{row['name']}: {row['counts']}, {percent(row['value'])}"


def bars(
    slide: Slide,
    labels: Sequence[str],
    sets: Mapping[str, Sequence[Row | None]],
    unit: Unit,
    axis: str,
    *,
    box: Box,
    size: int = SMALL,
) -> GraphicFrame:
    """For each label a bar of every set of estimates below each other, with error bars; None where there is none."""
    columns = [_on_sheet(name, rows, unit) for name, rows in sets.items()]
    data = _sheet(f"0.{'0' * unit.digits}", labels, [column for one in columns for column in one.items()])
    frame, chart = _placed(slide, XL_CHART_TYPE.BAR_CLUSTERED, data, box, size)
    _draw_with_intervals(chart, columns)
    _dress_bars(chart)
    known = [value for one in columns for name in list(one)[:3] for value in one[name] if value is not None]
    low, high = (0.0, round_top(known)) if unit is _SHARE else around_zero(known, fine=unit.digits > 1)
    chart.value_axis.minimum_scale, chart.value_axis.maximum_scale = low, high
    if unit is _SHARE and box[2] < NARROW:
        chart.value_axis.major_unit = 20 if high > 40 else 10
    _axis(chart.value_axis, axis, size, unit.on_axis)
    if len(columns) > 1:
        chart.plots[0].overlap = 0
        _fill(chart.plots[0].series[1], LIGHT.main)
        _legend(chart, XL_LEGEND_POSITION.TOP, size)
    return frame


def _stages(slide: Slide, figure: Stages, box: Box, size: int) -> GraphicFrame:
    """Bars of the cases that reached each stage; one that is hidden has none."""
    numbers = figure.frame["n"].to_list()
    data = _sheet("#,##0", figure.frame["said"].to_list(), [("cases", numbers)])
    frame, chart = _placed(slide, XL_CHART_TYPE.BAR_CLUSTERED, data, box, size)
    _dress_bars(chart)
    chart.value_axis.minimum_scale = 0
    chart.value_axis.maximum_scale = max([1.0, *(number for number in numbers if number is not None)])
    chart.value_axis.visible = False
    chart.value_axis.has_major_gridlines = False
    return frame


def _columns(slide: Slide, figure: Histogram, box: Box, size: int) -> GraphicFrame:
    """How many cases moved how far, in bins that meet at the threshold; adverse ones in another colour."""
    picture = figure.picture
    sets = {"not adverse": "n_not_adverse", "adverse": "n_adverse"}
    columns = [(name, [getattr(one, field) for one in picture.bins]) for name, field in sets.items()]
    data = _sheet("0", [f"{one.low:g}".replace("-", "−") for one in picture.bins], columns)
    frame, chart = _placed(slide, XL_CHART_TYPE.COLUMN_STACKED, data, box, size)
    plot = chart.plots[0]
    plot.gap_width, plot.overlap = 4, 100
    for series, shade in zip(plot.series, (FILL, LIGHT.adverse), strict=True):
        _fill(series, shade)
    chart.category_axis.tick_label_position = XL_TICK_LABEL_POSITION.LOW
    where = f"{picture.label}, {picture.unit}; lower end of each bin, right is worse"
    _axis(chart.category_axis, where, size)
    _axis(chart.value_axis, "cases", size)
    _legend(chart, XL_LEGEND_POSITION.TOP, size)
    return frame


def _curve(slide: Slide, figure: Curve, box: Box, size: int) -> GraphicFrame:
    """Share against threshold with both ends of its interval, and a line at the threshold in force."""
    names = {"share adverse, %": "share", "interval": "low", f"interval{HIGH}": "high"}
    lines = {name: _line(figure.frame, "threshold", column) for name, column in names.items()}
    top = round_top([y for _, y in lines[f"interval{HIGH}"]])
    looks: dict[str, Look] = {"interval": (LIGHT.main, 1.5, MSO_LINE.DASH), "share adverse, %": (LIGHT.main, 3.5, None)}
    if figure.in_force is not None:
        at = figure.in_force
        lines[f"we use {at:g}"] = [(at, 0.0), (at, top)]
        looks[f"we use {at:g}"] = (LIGHT.adverse, 2.25, MSO_LINE.LONG_DASH_DOT)
    places = figure.frame["threshold"].to_list()
    frame, chart = _points(slide, lines, looks, top=top, box=box, size=size)
    _axis(chart.value_axis, "share of counted cases that went adverse", size, _SHARE.on_axis)
    chart.category_axis.minimum_scale, chart.category_axis.maximum_scale = min(places), max(places)
    _axis(chart.category_axis, f"threshold, {figure.unit}".rstrip(", "), size, "0.0")
    return frame


def _slopes(slide: Slide, figure: Slopes, box: Box, size: int) -> GraphicFrame:
    """Means from start to finish, a line each, its value at both ends."""
    lines = list(figure.frame.group_by("name", maintain_order=True))
    places = figure.frame["at"].unique(maintain_order=True).to_list()
    data = _sheet("0.0", places, [(str(name), rows["value"].to_list()) for (name,), rows in lines])
    frame, chart = _placed(slide, XL_CHART_TYPE.LINE_MARKERS, data, box, size)
    for place, (series, (_, rows)) in enumerate(zip(chart.plots[0].series, lines, strict=True)):
        _slope(series, (LIGHT.main, LIGHT.quiet, LIGHT.adverse)[place % 3], is_expected=rows["is_expected"][0])
        ends = list(enumerate(rows["value"]))
        for at, value in ends if place == 0 else ends[-1:]:  # all lines but of classes begin at one place
            text = series.points[at].data_label
            text.text_frame.text = f"{value:.1f}"
            text.text_frame.paragraphs[0].runs[0].font.size = Pt(size)
            text.position = XL_LABEL_POSITION.RIGHT if at else XL_LABEL_POSITION.LEFT
    _dress_slopes(chart, figure.frame["value"], figure.axis, size)
    return frame


def _panels(slide: Slide, figure: Panels, box: Box, size: int) -> GraphicFrame:
    """The same for each practice, with a gap between them; no more of them than fit."""
    kept = figure.frame["short"].unique(maintain_order=True).to_list()[:MOST_PANELS]
    drawn = figure.frame.filter(pl.col("short").is_in(kept))
    sets: dict[str, list[float | None]] = {"mean": [], say("course.expected"): []}
    for short in kept:
        rows = drawn.filter(pl.col("short") == short)
        for values, is_expected in zip(sets.values(), (False, True), strict=True):
            ends = rows.filter(pl.col("is_expected") == is_expected)["value"].to_list()
            values += [*(ends or [None, None]), None]
    labels = [text for short in kept for text in (short.replace("|", ", n "), " ", " ")]
    frame, chart = _placed(slide, XL_CHART_TYPE.LINE_MARKERS, _sheet("0.0", labels, sets.items()), box, size)
    for series, is_expected in zip(chart.plots[0].series, (False, True), strict=True):
        _slope(series, LIGHT.main, is_expected=is_expected)
    for offset in chart._chartSpace.xpath(".//c:catAx/c:lblOffset"):
        offset.addnext(parse_xml(f'<c:tickLblSkip {nsdecls("c")} val="3"/>'))
    _dress_slopes(chart, drawn["value"], ", ".join(figure.axis), size)
    return frame


def _slope(series: Any, colour: str, *, is_expected: bool) -> None:  # noqa: ANN401
    """A line with its marks; dashed where it is what was expected."""
    shade = rgb(LIGHT.second if is_expected else colour)
    series.smooth = False
    series.format.line.color.rgb, series.format.line.width = shade, int(Pt(3.5))
    if is_expected:
        series.format.line.dash_style = MSO_LINE.DASH
    series.marker.style, series.marker.size = XL_MARKER_STYLE.CIRCLE, 10
    series.marker.format.fill.solid()
    series.marker.format.fill.fore_color.rgb = shade


def _dress_slopes(chart: Chart, known: pl.Series, axis: str, size: int) -> None:
    low, high = float(known.min() or 0.0), float(known.max() or 0.0)  # type: ignore[arg-type]
    chart.value_axis.minimum_scale, chart.value_axis.maximum_scale = int(low) - 1, int(high) + 2
    _axis(chart.value_axis, axis, size, "0")
    _legend(chart, XL_LEGEND_POSITION.BOTTOM, size)


def _funnel(slide: Slide, figure: FunnelPlot, box: Box, size: int) -> GraphicFrame:
    """Practices by their size, with the limits of chance and those that allow for the spread between practices."""
    edges = figure.edges.sort("n")
    wanted = {
        "95% limits": ("95%", False, (LIGHT.quiet, 2, None)),
        "99.8% limits": ("99.8%", False, (LIGHT.quiet, 2, MSO_LINE.DASH)),
        "95%, allowing for spread": ("95%", True, (LIGHT.second, 2, MSO_LINE.ROUND_DOT)),
    }
    lines: dict[str, Line] = {}
    for name, (level, spread, _) in wanted.items():
        kept = edges.filter((pl.col("level") == level) & (pl.col("spread") == spread))
        lines |= {name: _line(kept, "n", "low"), f"{name}{HIGH}": _line(kept, "n", "high")}
    together = f"all together: {percent(figure.target)}"
    target = _SHARE.number(figure.target) or 0.0
    lines[together] = [(float(n), target) for n in (edges["n"][0], edges["n"][-1])]
    lines[PRACTICES] = _line(figure.frame, "n", "share")  # last: drawn above the lines
    looks = {name: look for name, (_, _, look) in wanted.items()} | {together: (LIGHT.ink, 2.5, None)}
    lines = {name: line for name, line in lines.items() if line}
    top = round_top([y for line in lines.values() for _, y in line])
    frame, chart = _points(slide, lines, looks, top=top, box=box, size=size)
    places = [x for line in lines.values() for x, _ in line]
    step = 10 if max(places) <= 200 else 100
    ends = step * (min(places) // step), step * (max(places) // step + 1)
    chart.category_axis.minimum_scale, chart.category_axis.maximum_scale = ends
    _axis(chart.value_axis, "share adverse", size, _SHARE.on_axis)
    _axis(chart.category_axis, "cases counted", size)
    return frame


def _line(frame: pl.DataFrame, x: str, y: str) -> Line:
    """The points of a line of shares, as printed."""
    shown = ((float(at), _SHARE.number(value)) for at, value in frame.select(x, y).iter_rows())
    return [(at, value) for at, value in shown if value is not None]


def _points(
    slide: Slide, lines: Mapping[str, Line], looks: Mapping[str, Look], *, top: float, box: Box, size: int
) -> tuple[GraphicFrame, Chart]:
    """Lines told apart by weight and dashes as well as by colour, each pair named once; practices as circles."""
    data = XyChartData(number_format="0.0")
    for name, line in lines.items():
        series = data.add_series(name)
        for x, y in line:
            series.add_data_point(x, y)
    frame, chart = _placed(slide, XL_CHART_TYPE.XY_SCATTER_LINES_NO_MARKERS, data, box, size)
    _legend(chart, XL_LEGEND_POSITION.BOTTOM, size)
    chart.value_axis.minimum_scale, chart.value_axis.maximum_scale = 0, top
    for place, series in enumerate(chart.plots[0].series):
        series.smooth = False
        if series.name == PRACTICES:
            series.format.line.fill.background()
            series.marker.style, series.marker.size = XL_MARKER_STYLE.CIRCLE, 11
            series.marker.format.fill.solid()
            series.marker.format.fill.fore_color.rgb = rgb(LIGHT.main)
            continue
        colour, weight, dash = looks[series.name.removesuffix(HIGH)]
        series.format.line.color.rgb, series.format.line.width = rgb(colour), int(Pt(weight))
        if dash is not None:
            series.format.line.dash_style = dash
        if series.name.endswith(HIGH):
            entry = f'<c:legendEntry {nsdecls("c")}><c:idx val="{place}"/><c:delete val="1"/></c:legendEntry>'
            chart.legend._element.insert(1, parse_xml(entry))
    return frame, chart


def around_zero(values: Sequence[float], *, fine: bool = False) -> tuple[float, float]:
    """Round ends of an axis that holds zero; ``fine`` for means, which lie closer together than differences."""
    most = max(abs(value) for value in values)
    step: float = 5 if most <= 30 else 10
    if fine:
        step = 0.5 if most <= 3 else 1
    return -step * float(ceil(max(0.0, -min(values)) / step)), step * float(max(1, ceil(max(0.0, *values) / step)))


def round_top(values: Sequence[float]) -> float:
    """A round end of an axis of shares in percent."""
    most = max(values, default=5.0)
    step = 5 if most <= 30 else 10
    return min(100.0, float(step * (int(most // step) + 1)))


def _sheet(
    form: str, labels: Sequence[str], columns: Iterable[tuple[str, Sequence[float | None]]]
) -> CategoryChartData:
    """The sheet behind a chart, numbers in this form; a text that would run there as a formula is kept as text."""
    data = CategoryChartData(number_format=form)
    data.categories = [neutralise(one) for one in labels]
    for name, values in columns:
        data.add_series(neutralise(name), values)
    return data


def _on_sheet(name: str, rows: Sequence[Row | None], unit: Unit) -> dict[str, list[float | None]]:
    """Columns of the sheet behind a chart: values, ends of their intervals, and the distances to these."""
    values, lows, highs = (
        [unit.number(row[column]) if row else None for row in rows] for column in ("value", "low", "high")
    )
    return {
        name: values,
        "low": lows,
        "high": highs,
        "up to high": [_distance(high, value) for high, value in zip(highs, values, strict=True)],
        "down to low": [_distance(value, low) for value, low in zip(values, lows, strict=True)],
    }


def _distance(upper: float | None, lower: float | None) -> float | None:
    return None if upper is None or lower is None else round(upper - lower, 2)


def _draw_with_intervals(chart: Chart, sets: Sequence[Mapping[str, Sequence[float | None]]]) -> None:
    """Draw the values with their intervals as error bars; the other columns stay in the workbook.

    The series of the chart are all columns of all sets, one set after the other, as :func:`_on_sheet` makes them.
    """
    listed = chart._chartSpace.xpath(".//c:ser")
    for place, found in enumerate(sets):
        first, *rest = listed[place * len(found) : (place + 1) * len(found)]
        for series in rest:
            series.getparent().remove(series)
        up, down = (chr(ord("B") + place * len(found) + at) for at in (3, 4))
        (names,) = first.xpath("c:cat")
        names.addprevious(
            parse_xml(
                f"<c:errBars {nsdecls('c', 'a')}>"
                '<c:errBarType val="both"/><c:errValType val="cust"/><c:noEndCap val="0"/>'
                f"<c:plus>{_numbers(up, found['up to high'])}</c:plus>"
                f"<c:minus>{_numbers(down, found['down to low'])}</c:minus>"
                f'<c:spPr><a:ln w="28575"><a:solidFill><a:srgbClr val="{LIGHT.ink[1:]}"/></a:solidFill></a:ln></c:spPr>'
                "</c:errBars>"
            )
        )


def _numbers(column: str, values: Sequence[float | None]) -> str:
    points = "".join(
        f'<c:pt idx="{place}"><c:v>{value}</c:v></c:pt>' for place, value in enumerate(values) if value is not None
    )
    return (
        f"<c:numRef><c:f>Sheet1!${column}$2:${column}${len(values) + 1}</c:f>"
        f'<c:numCache><c:formatCode>General</c:formatCode><c:ptCount val="{len(values)}"/>{points}</c:numCache>'
        "</c:numRef>"
    )


def _placed(slide: Slide, kind: object, data: object, box: Box, size: int) -> tuple[GraphicFrame, Chart]:
    """A chart in our type, colours and lines."""
    frame = slide.shapes.add_chart(kind, *(Inches(one) for one in box), data)
    chart = frame.chart
    chart.has_title = chart.has_legend = False
    chart.font.size, chart.font.name = Pt(size), FACE
    chart.font.color.rgb = rgb(LIGHT.ink)
    for axis in (chart.category_axis, chart.value_axis):
        axis.format.line.color.rgb = rgb(LIGHT.quiet)
        axis.has_major_gridlines = axis is chart.value_axis
    chart.value_axis.major_gridlines.format.line.color.rgb = rgb(LIGHT.line)
    return frame, chart


def _dress_bars(chart: Chart) -> None:
    """First bar at the top, one colour, names and numbers at the left, and no bar without them."""
    plot = chart.plots[0]
    plot.gap_width = 55
    plot.vary_by_categories = False
    _fill(plot.series[0], FILL)
    chart.category_axis.reverse_order = True
    for crosses in chart._chartSpace.xpath(".//c:valAx/c:crosses"):
        crosses.set("val", "max")  # categories run downwards, so their end is where the axis of shares belongs
    chart.category_axis.tick_label_position = XL_TICK_LABEL_POSITION.LOW
    for offset in chart._chartSpace.xpath(".//c:catAx/c:lblOffset"):
        offset.addnext(parse_xml(f'<c:tickLblSkip {nsdecls("c")} val="1"/>'))


def _fill(series: Any, shade: str) -> None:  # noqa: ANN401
    series.format.fill.solid()
    series.format.fill.fore_color.rgb = rgb(shade)


def _legend(chart: Chart, position: object, size: int) -> None:
    """Name what is drawn, beside the drawing and not over it."""
    chart.has_legend = True
    chart.legend.position, chart.legend.include_in_layout = position, False
    chart.legend.font.size = Pt(size)


def _axis(axis: _BaseAxis, title: str, size: int, numbers: str = "") -> None:
    """Say what lies on an axis, and how its numbers are set."""
    axis.has_title = True
    frame = axis.axis_title.text_frame
    frame.text = title
    for run in frame.paragraphs[0].runs:
        run.font.size, run.font.bold, run.font.color.rgb = Pt(size), False, rgb(LIGHT.quiet)
    if numbers:
        axis.tick_labels.number_format, axis.tick_labels.number_format_is_linked = numbers, False
