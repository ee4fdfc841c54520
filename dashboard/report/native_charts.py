"""Charts that can be edited in the presentation itself, holding the numbers that are printed and no others."""

from __future__ import annotations

from math import ceil
from typing import TYPE_CHECKING

from dashboard.report.deck import FACE
from dashboard.report.document import difference_words, ends, share
from dashboard.theme import LIGHT

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pptx.chart.axis import _BaseAxis
    from pptx.chart.chart import Chart
    from pptx.shapes.graphfrm import GraphicFrame
    from pptx.slide import Slide

    from dashboard.report.document import Bar, Difference, StageBar
    from warehouse.threshold import ThresholdCurve

SHEET = "Sheet1"
"""Name of the sheet that a chart's numbers lie on."""

Box = tuple[float, float, float, float]


SHARE_TITLE = "share of counted cases that went adverse"


def share_bars(slide: Slide, bars: Sequence[Bar], *, box: Box, size: int) -> GraphicFrame:
    """Horizontal bars of shares in percent, with their intervals as error bars.

    The workbook behind the chart holds, for every bar, the share, both ends of the interval and the distances to them;
    the error bars are taken from there, so that editing the sheet moves them.
    """
    from pptx.chart.data import CategoryChartData
    from pptx.enum.chart import XL_CHART_TYPE

    data = CategoryChartData(number_format="0.0")
    data.categories = [f"{bar.label}: {bar.counts}, {bar.share.text}" for bar in bars]
    columns = _columns(bars)
    for name, values in columns.items():
        data.add_series(name, values)
    frame = slide.shapes.add_chart(XL_CHART_TYPE.BAR_CLUSTERED, *_inches(box), data)
    chart = frame.chart
    _keep_first_series(chart)
    _add_error_bars(chart, above=columns["up to high"], below=columns["down to low"])
    _dress_bars(chart, size)
    chart.value_axis.maximum_scale = _top([bar.high.number for bar in bars])
    _percent_axis(chart, size)
    return frame


def difference_bars(slide: Slide, rows: Sequence[Difference], *, box: Box, size: int) -> GraphicFrame:
    """Horizontal bars of differences in percentage points from the line of none, with intervals as error bars."""
    from pptx.chart.data import CategoryChartData
    from pptx.enum.chart import XL_CHART_TYPE

    data = CategoryChartData(number_format="0.0")
    data.categories = [f"{'★ ' if row.is_main else ''}{row.label}: {difference_words(row)}" for row in rows]
    columns = _with_distances(
        "difference, points",
        [row.value.number for row in rows],
        [row.low.number for row in rows],
        [row.high.number for row in rows],
    )
    for name, values in columns.items():
        data.add_series(name, values)
    frame = slide.shapes.add_chart(XL_CHART_TYPE.BAR_CLUSTERED, *_inches(box), data)
    chart = frame.chart
    _keep_first_series(chart)
    _add_error_bars(chart, above=columns["up to high"], below=columns["down to low"])
    _dress_bars(chart, size)
    ends = [value for name in ("low", "high", "difference, points") for value in columns[name] if value is not None]
    chart.value_axis.minimum_scale, chart.value_axis.maximum_scale = _around_zero(ends)
    labels = chart.value_axis.tick_labels
    labels.number_format, labels.number_format_is_linked = "+0;−0;0", False
    _axis_title(chart.value_axis, "difference in percentage points; right of 0 is worse", size)
    return frame


def _around_zero(values: Sequence[float]) -> tuple[float, float]:
    """Round ends of an axis that holds zero."""
    step = 5 if max(abs(value) for value in values) <= 30 else 10
    return -step * float(ceil(max(0.0, -min(values)) / step)), step * float(max(1, ceil(max(0.0, *values) / step)))


def _columns(bars: Sequence[Bar]) -> dict[str, list[float | None]]:
    return _with_distances(
        "share adverse, %",
        [bar.share.number for bar in bars],
        [bar.low.number for bar in bars],
        [bar.high.number for bar in bars],
    )


def _with_distances(
    name: str, values: list[float | None], lows: list[float | None], highs: list[float | None]
) -> dict[str, list[float | None]]:
    return {
        name: values,
        "low": lows,
        "high": highs,
        "up to high": [_distance(high, value) for high, value in zip(highs, values, strict=True)],
        "down to low": [_distance(value, low) for value, low in zip(values, lows, strict=True)],
    }


def _distance(upper: float | None, lower: float | None) -> float | None:
    return None if upper is None or lower is None else round(upper - lower, 1)


def _top(highs: Sequence[float | None]) -> float:
    """A round end of the axis."""
    most = max([value for value in highs if value is not None], default=5.0)
    step = 5 if most <= 30 else 10
    return min(100.0, float(step * (int(most // step) + 1)))


def _keep_first_series(chart: Chart) -> None:
    """Draw the first series alone; the others stay in the workbook."""
    for series in chart._chartSpace.xpath(".//c:ser")[1:]:
        series.getparent().remove(series)


def _add_error_bars(chart: Chart, *, above: Sequence[float | None], below: Sequence[float | None]) -> None:
    from pptx.oxml import parse_xml

    (series,) = chart._chartSpace.xpath(".//c:ser")
    (values,) = series.xpath("c:cat")
    values.addprevious(parse_xml(_error_bars(above, below)))


def _error_bars(above: Sequence[float | None], below: Sequence[float | None]) -> str:
    return (
        '<c:errBars xmlns:c="http://schemas.openxmlformats.org/drawingml/2006/chart"'
        ' xmlns:a="http://schemas.openxmlformats.org/drawingml/2006/main">'
        '<c:errBarType val="both"/><c:errValType val="cust"/><c:noEndCap val="0"/>'
        f"<c:plus>{_numbers('E', above)}</c:plus><c:minus>{_numbers('F', below)}</c:minus>"
        f'<c:spPr><a:ln w="28575"><a:solidFill><a:srgbClr val="{LIGHT.ink[1:]}"/></a:solidFill></a:ln></c:spPr>'
        "</c:errBars>"
    )


def _numbers(column: str, values: Sequence[float | None]) -> str:
    points = "".join(
        f'<c:pt idx="{place}"><c:v>{value}</c:v></c:pt>' for place, value in enumerate(values) if value is not None
    )
    return (
        f"<c:numRef><c:f>{SHEET}!${column}$2:${column}${len(values) + 1}</c:f>"
        f'<c:numCache><c:formatCode>General</c:formatCode><c:ptCount val="{len(values)}"/>{points}</c:numCache>'
        "</c:numRef>"
    )


def stage_bars(slide: Slide, bars: Sequence[StageBar], *, box: Box, size: int) -> GraphicFrame:
    """Horizontal bars of the cases that reached each stage; one that is hidden has none."""
    from pptx.chart.data import CategoryChartData
    from pptx.enum.chart import XL_CHART_TYPE

    data = CategoryChartData(number_format="#,##0")
    data.categories = [f"{bar.title}: {bar.n.text}" for bar in bars]
    data.add_series("cases", [bar.n.number for bar in bars])
    frame = slide.shapes.add_chart(XL_CHART_TYPE.BAR_CLUSTERED, *_inches(box), data)
    _dress_bars(frame.chart, size)
    frame.chart.value_axis.maximum_scale = max([1.0, *(bar.n.number for bar in bars if bar.n.number is not None)])
    frame.chart.value_axis.visible = False
    frame.chart.value_axis.has_major_gridlines = False
    return frame


def threshold_lines(slide: Slide, curve: ThresholdCurve, *, box: Box, size: int, title: str) -> GraphicFrame:
    """Share against threshold with both ends of its interval, and a line at the threshold in force.

    ``title`` is what the threshold is, with its unit.
    """
    from pptx.chart.data import XyChartData
    from pptx.enum.chart import XL_CHART_TYPE, XL_LEGEND_POSITION

    lines = _lines(curve)
    data = XyChartData(number_format="0.0")
    for name, points in lines.items():
        series = data.add_series(name)
        for x, y in points:
            series.add_data_point(x, y)
    frame = slide.shapes.add_chart(XL_CHART_TYPE.XY_SCATTER_LINES_NO_MARKERS, *_inches(box), data)
    chart = frame.chart
    _dress(chart, size)
    chart.has_legend = True
    chart.legend.position, chart.legend.include_in_layout = XL_LEGEND_POSITION.BOTTOM, False
    chart.legend.font.size = _points(size)
    chart.value_axis.minimum_scale, chart.value_axis.maximum_scale = (
        0,
        max(y for line in lines.values() for _, y in line),
    )
    _percent_axis(chart, size)
    places = [point.threshold for point in curve.points]
    chart.category_axis.minimum_scale, chart.category_axis.maximum_scale = min(places), max(places)
    chart.category_axis.tick_labels.number_format_is_linked = False
    chart.category_axis.tick_labels.number_format = "0.0"
    _axis_title(chart.category_axis, title, size)
    _style_lines(chart)
    return frame


def _lines(curve: ThresholdCurve) -> dict[str, list[tuple[float, float]]]:
    """Name -> points of each line, with the numbers that are printed."""
    lines: dict[str, list[tuple[float, float]]] = {"share adverse, %": [], "interval, low": [], "interval, high": []}
    for point in curve.points:
        numbers = [share(point.rate.value).number, *(end.number for end in ends(point.rate.interval))]
        for name, number in zip(lines, numbers, strict=True):
            if number is not None:
                lines[name].append((point.threshold, number))
    top = _top([y for _, y in lines["interval, high"]])
    if curve.part is not None:
        at = curve.part.threshold
        lines[f"threshold in force: {at:g}"] = [(at, 0.0), (at, top)]
    return lines


def _percent_axis(chart: Chart, size: int) -> None:
    labels = chart.value_axis.tick_labels
    labels.number_format, labels.number_format_is_linked = '0"%"', False
    _axis_title(chart.value_axis, SHARE_TITLE, size)


def _axis_title(axis: _BaseAxis, text: str, size: int) -> None:
    axis.has_title = True
    frame = axis.axis_title.text_frame
    frame.text = text
    for run in frame.paragraphs[0].runs:
        run.font.size, run.font.bold, run.font.color.rgb = _points(size), False, _colour(LIGHT.quiet)


def _style_lines(chart: Chart) -> None:
    """Told apart by weight and dashes as well as by colour."""
    from pptx.enum.dml import MSO_LINE

    styles = [(LIGHT.main, 3.5, None), (LIGHT.main, 1.5, MSO_LINE.DASH), (LIGHT.main, 1.5, MSO_LINE.DASH)]
    styles.append((LIGHT.adverse, 2.25, MSO_LINE.LONG_DASH_DOT))
    for series, (colour, weight, dash) in zip(chart.plots[0].series, styles, strict=False):
        series.smooth = False
        series.format.line.color.rgb = _colour(colour)
        series.format.line.width = _points(weight)
        if dash is not None:
            series.format.line.dash_style = dash


def _dress_bars(chart: Chart, size: int) -> None:
    """First bar at the top, one colour, names and numbers in the labels at the left."""
    from pptx.enum.chart import XL_TICK_LABEL_POSITION

    _dress(chart, size)
    chart.has_legend = False
    plot = chart.plots[0]
    plot.gap_width = 55
    plot.vary_by_categories = False
    fill = plot.series[0].format.fill
    fill.solid()
    fill.fore_color.rgb = _colour("#8fbac4")
    chart.category_axis.reverse_order = True
    for crosses in chart._chartSpace.xpath(".//c:valAx/c:crosses"):
        crosses.set("val", "max")  # categories run downwards, so their end is where the axis of shares belongs
    chart.category_axis.tick_label_position = XL_TICK_LABEL_POSITION.LOW
    chart.value_axis.minimum_scale = 0


def _dress(chart: Chart, size: int) -> None:
    chart.has_title = False
    chart.font.size, chart.font.name = _points(size), FACE
    chart.font.color.rgb = _colour(LIGHT.ink)
    for axis in (chart.category_axis, chart.value_axis):
        axis.format.line.color.rgb = _colour(LIGHT.quiet)
        axis.has_major_gridlines = axis is chart.value_axis
    chart.value_axis.major_gridlines.format.line.color.rgb = _colour(LIGHT.line)


def _inches(box: Box) -> tuple[int, ...]:
    from pptx.util import Inches

    return tuple(Inches(one) for one in box)


def _points(size: float) -> int:
    from pptx.util import Pt

    return int(Pt(size))


def _colour(text: str) -> object:
    from pptx.dml.color import RGBColor

    return RGBColor.from_string(text[1:].upper())
