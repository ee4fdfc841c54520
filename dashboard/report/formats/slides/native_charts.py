"""Charts that can be edited in the presentation itself, holding the numbers that are printed and no others."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dashboard.report.document import difference_told, ends, share
from dashboard.report.formats.slides.native_base import (
    around_zero,
    axis_title,
    draw_with_intervals,
    dress_bars,
    in_points,
    inches,
    lines_of_points,
    percent_axis,
    rgb,
    round_top,
    with_distances,
)
from dashboard.theme import LIGHT

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from pptx.chart.chart import Chart
    from pptx.shapes.graphfrm import GraphicFrame
    from pptx.slide import Slide

    from dashboard.report.document import Bar, ShownDifference, StageBar
    from dashboard.report.formats.slides.native_base import Box
    from warehouse.questions.threshold import ThresholdCurve


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
    frame = slide.shapes.add_chart(XL_CHART_TYPE.BAR_CLUSTERED, *inches(box), data)
    chart = frame.chart
    draw_with_intervals(chart, [columns])
    dress_bars(chart, size)
    chart.value_axis.maximum_scale = round_top([bar.high.number for bar in bars])
    percent_axis(chart, size)
    return frame


def difference_bars(
    slide: Slide,
    rows: Sequence[ShownDifference],
    *,
    box: Box,
    size: int,
    title: str = "difference in percentage points; right of 0 is worse",
    fine: bool = False,
) -> GraphicFrame:
    """Horizontal bars of differences, or of mean changes (``fine``), from the line of none, with their intervals."""
    from pptx.chart.data import CategoryChartData
    from pptx.enum.chart import XL_CHART_TYPE

    data = CategoryChartData(number_format="0.00" if fine else "0.0")
    data.categories = [f"{'★ ' if row.is_main else ''}{row.label}: {difference_told(row)}" for row in rows]
    columns = difference_columns("mean change" if fine else "difference, points", rows)
    for name, values in columns.items():
        data.add_series(name, values)
    frame = slide.shapes.add_chart(XL_CHART_TYPE.BAR_CLUSTERED, *inches(box), data)
    chart = frame.chart
    draw_with_intervals(chart, [columns])
    dress_bars(chart, size)
    span_zero(chart, [columns], fine=fine)
    axis_title(chart.value_axis, title, size)
    return frame


def difference_columns(name: str, rows: Sequence[ShownDifference | None]) -> dict[str, list[float | None]]:
    """The columns behind differences; None where there is none."""
    return with_distances(
        name,
        [row.value.number if row else None for row in rows],
        [row.low.number if row else None for row in rows],
        [row.high.number if row else None for row in rows],
    )


def span_zero(chart: Chart, sets: Sequence[Mapping[str, list[float | None]]], *, fine: bool = False) -> None:
    """Set the axis of differences so that it holds zero and all intervals."""
    kept = [values for columns in sets for name, values in columns.items() if not name.endswith((" high", " low"))]
    known = [value for values in kept for value in values if value is not None]
    chart.value_axis.minimum_scale, chart.value_axis.maximum_scale = around_zero(known, fine=fine)
    labels = chart.value_axis.tick_labels
    labels.number_format, labels.number_format_is_linked = "+0.0;−0.0;0" if fine else "+0;−0;0", False


def _columns(bars: Sequence[Bar]) -> dict[str, list[float | None]]:
    return with_distances(
        "share adverse, %",
        [bar.share.number for bar in bars],
        [bar.low.number for bar in bars],
        [bar.high.number for bar in bars],
    )


def stage_bars(slide: Slide, bars: Sequence[StageBar], *, box: Box, size: int) -> GraphicFrame:
    """Horizontal bars of the cases that reached each stage; one that is hidden has none."""
    from pptx.chart.data import CategoryChartData
    from pptx.enum.chart import XL_CHART_TYPE

    data = CategoryChartData(number_format="#,##0")
    data.categories = [f"{bar.title}: {bar.n.text}" for bar in bars]
    data.add_series("cases", [bar.n.number for bar in bars])
    frame = slide.shapes.add_chart(XL_CHART_TYPE.BAR_CLUSTERED, *inches(box), data)
    dress_bars(frame.chart, size)
    frame.chart.value_axis.maximum_scale = max([1.0, *(bar.n.number for bar in bars if bar.n.number is not None)])
    frame.chart.value_axis.visible = False
    frame.chart.value_axis.has_major_gridlines = False
    return frame


def threshold_lines(slide: Slide, curve: ThresholdCurve, *, box: Box, size: int, title: str) -> GraphicFrame:
    """Share against threshold with both ends of its interval, and a line at the threshold in force.

    ``title`` is what the threshold is, with its unit.
    """
    lines = _lines(curve)
    frame = lines_of_points(slide, lines, box=box, size=size)
    chart = frame.chart
    chart.value_axis.minimum_scale, chart.value_axis.maximum_scale = (
        0,
        max(y for line in lines.values() for _, y in line),
    )
    percent_axis(chart, size)
    places = [point.threshold for point in curve.points]
    chart.category_axis.minimum_scale, chart.category_axis.maximum_scale = min(places), max(places)
    chart.category_axis.tick_labels.number_format_is_linked = False
    chart.category_axis.tick_labels.number_format = "0.0"
    axis_title(chart.category_axis, title, size)
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
    top = round_top([y for _, y in lines["interval, high"]])
    if curve.part is not None:
        at = curve.part.threshold
        lines[f"threshold in force: {at:g}"] = [(at, 0.0), (at, top)]
    return lines


def _style_lines(chart: Chart) -> None:
    """Told apart by weight and dashes as well as by colour."""
    from pptx.enum.dml import MSO_LINE

    styles = [(LIGHT.main, 3.5, None), (LIGHT.main, 1.5, MSO_LINE.DASH), (LIGHT.main, 1.5, MSO_LINE.DASH)]
    styles.append((LIGHT.adverse, 2.25, MSO_LINE.LONG_DASH_DOT))
    for series, (colour, weight, dash) in zip(chart.plots[0].series, styles, strict=False):
        series.smooth = False
        series.format.line.color.rgb = rgb(colour)
        series.format.line.width = in_points(weight)
        if dash is not None:
            series.format.line.dash_style = dash
