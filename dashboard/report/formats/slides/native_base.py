"""What charts that can be edited in a presentation have in common: sheets behind them, error bars, axes, their look."""

from __future__ import annotations

from math import ceil
from typing import TYPE_CHECKING

from dashboard.report.formats.slides.deck import FACE
from dashboard.theme import LIGHT

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from pptx.chart.axis import _BaseAxis
    from pptx.chart.chart import Chart
    from pptx.enum.chart import XL_LEGEND_POSITION
    from pptx.shapes.graphfrm import GraphicFrame
    from pptx.slide import Slide

SHEET = "Sheet1"
"""Name of the sheet that a chart's numbers lie on."""

SHARE_TITLE = "share of counted cases that went adverse"

FILL = "#8fbac4"
"""Colour of bars: dark text on it is read easily."""

Box = tuple[float, float, float, float]


def around_zero(values: Sequence[float], *, fine: bool = False) -> tuple[float, float]:
    """Round ends of an axis that holds zero; ``fine`` for means, which lie closer together than differences."""
    most = max(abs(value) for value in values)
    step: float = 5 if most <= 30 else 10
    if fine:
        step = 0.5 if most <= 3 else 1
    return -step * float(ceil(max(0.0, -min(values)) / step)), step * float(max(1, ceil(max(0.0, *values) / step)))


def with_distances(
    name: str, values: list[float | None], lows: list[float | None], highs: list[float | None]
) -> dict[str, list[float | None]]:
    """Columns of the sheet behind a chart: values, ends of their intervals, and the distances to these."""
    return {
        name: values,
        "low": lows,
        "high": highs,
        "up to high": [_distance(high, value) for high, value in zip(highs, values, strict=True)],
        "down to low": [_distance(value, low) for value, low in zip(values, lows, strict=True)],
    }


def _distance(upper: float | None, lower: float | None) -> float | None:
    return None if upper is None or lower is None else round(upper - lower, 2)


def round_top(highs: Sequence[float | None]) -> float:
    """A round end of the axis."""
    most = max([value for value in highs if value is not None], default=5.0)
    step = 5 if most <= 30 else 10
    return min(100.0, float(step * (int(most // step) + 1)))


def draw_with_intervals(chart: Chart, columns: Sequence[Mapping[str, list[float | None]]]) -> None:
    """Draw the values with their intervals as error bars; the other columns stay in the workbook.

    Args:
        chart: A chart whose series are all columns of all sets, one set after the other.
        columns: One set a series that is drawn, as :func:`with_distances` makes it.
    """
    from pptx.oxml import parse_xml

    listed = chart._chartSpace.xpath(".//c:ser")
    for place, found in enumerate(columns):
        first, *rest = listed[place * len(found) : (place + 1) * len(found)]
        for series in rest:
            series.getparent().remove(series)
        up, down = (chr(ord("B") + place * len(found) + at) for at in (3, 4))
        (names,) = first.xpath("c:cat")
        bars = _error_bars((up, found["up to high"]), (down, found["down to low"]))
        names.addprevious(parse_xml(bars))


def _error_bars(above: tuple[str, Sequence[float | None]], below: tuple[str, Sequence[float | None]]) -> str:
    return (
        '<c:errBars xmlns:c="http://schemas.openxmlformats.org/drawingml/2006/chart"'
        ' xmlns:a="http://schemas.openxmlformats.org/drawingml/2006/main">'
        '<c:errBarType val="both"/><c:errValType val="cust"/><c:noEndCap val="0"/>'
        f"<c:plus>{_numbers(*above)}</c:plus><c:minus>{_numbers(*below)}</c:minus>"
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


def lines_of_points(
    slide: Slide, lines: Mapping[str, Sequence[tuple[float, float]]], *, box: Box, size: int
) -> GraphicFrame:
    """Lines through points, named in a legend below; name -> (x, y) of each."""
    from pptx.chart.data import XyChartData
    from pptx.enum.chart import XL_CHART_TYPE, XL_LEGEND_POSITION

    data = XyChartData(number_format="0.0")
    for name, points in lines.items():
        series = data.add_series(name)
        for x, y in points:
            series.add_data_point(x, y)
    frame = slide.shapes.add_chart(XL_CHART_TYPE.XY_SCATTER_LINES_NO_MARKERS, *inches(box), data)
    chart = frame.chart
    dress(chart, size)
    add_legend(chart, XL_LEGEND_POSITION.BOTTOM, size)
    return frame


def add_legend(chart: Chart, position: XL_LEGEND_POSITION, size: int) -> None:
    """Name what is drawn, beside the drawing and not over it."""
    chart.has_legend = True
    chart.legend.position, chart.legend.include_in_layout = position, False
    chart.legend.font.size = in_points(size)


def percent_axis(chart: Chart, size: int) -> None:
    """The axis of shares: percent, and what it is a share of."""
    labels = chart.value_axis.tick_labels
    labels.number_format, labels.number_format_is_linked = '0"%"', False
    axis_title(chart.value_axis, SHARE_TITLE, size)


def axis_title(axis: _BaseAxis, text: str, size: int) -> None:
    """Say what lies on an axis."""
    axis.has_title = True
    frame = axis.axis_title.text_frame
    frame.text = text
    for run in frame.paragraphs[0].runs:
        run.font.size, run.font.bold, run.font.color.rgb = in_points(size), False, rgb(LIGHT.quiet)


def dress_bars(chart: Chart, size: int) -> None:
    """First bar at the top, one colour, names and numbers in the labels at the left."""
    from pptx.enum.chart import XL_TICK_LABEL_POSITION

    dress(chart, size)
    chart.has_legend = False
    plot = chart.plots[0]
    plot.gap_width = 55
    plot.vary_by_categories = False
    fill = plot.series[0].format.fill
    fill.solid()
    fill.fore_color.rgb = rgb(FILL)
    chart.category_axis.reverse_order = True
    for crosses in chart._chartSpace.xpath(".//c:valAx/c:crosses"):
        crosses.set("val", "max")  # categories run downwards, so their end is where the axis of shares belongs
    chart.category_axis.tick_label_position = XL_TICK_LABEL_POSITION.LOW
    _label_every_bar(chart)
    chart.value_axis.minimum_scale = 0


def _label_every_bar(chart: Chart) -> None:
    """No bar goes without its label, even where a program finds that they stand close."""
    from pptx.oxml.xmlchemy import OxmlElement

    for axis in chart._chartSpace.xpath(".//c:catAx"):
        skip = OxmlElement("c:tickLblSkip")
        skip.set("val", "1")
        (offset,) = axis.xpath("c:lblOffset")
        offset.addnext(skip)


def dress(chart: Chart, size: int) -> None:
    """Type, colours and lines of every chart."""
    chart.has_title = False
    chart.font.size, chart.font.name = in_points(size), FACE
    chart.font.color.rgb = rgb(LIGHT.ink)
    for axis in (chart.category_axis, chart.value_axis):
        axis.format.line.color.rgb = rgb(LIGHT.quiet)
        axis.has_major_gridlines = axis is chart.value_axis
    chart.value_axis.major_gridlines.format.line.color.rgb = rgb(LIGHT.line)


def inches(box: Box) -> tuple[int, ...]:
    """A place in inches as the file wants it."""
    from pptx.util import Inches

    return tuple(Inches(one) for one in box)


def in_points(size: float) -> int:
    """A size in points as the file wants it."""
    from pptx.util import Pt

    return int(Pt(size))


def rgb(text: str) -> object:
    """A colour of ours as the file wants it."""
    from pptx.dml.color import RGBColor

    return RGBColor.from_string(text[1:].upper())
