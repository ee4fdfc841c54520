"""More charts that can be edited in the presentation: pairs of differences, changes in bins, practices by size."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dashboard.report.document import difference_told, share
from dashboard.report.formats.slides.native_base import (
    FILL,
    SHARE_TITLE,
    add_legend,
    axis_title,
    draw_with_intervals,
    dress,
    dress_bars,
    in_points,
    inches,
    lines_of_points,
    percent_axis,
    rgb,
    round_top,
)
from dashboard.report.formats.slides.native_charts import difference_columns, span_zero
from dashboard.theme import LIGHT

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pptx.chart.chart import Chart
    from pptx.shapes.graphfrm import GraphicFrame
    from pptx.slide import Slide

    from dashboard.report.document import ShownDifference
    from dashboard.report.formats.slides.native_base import Box
    from warehouse.pooled.result import SharePool
    from warehouse.questions.spread import ChangePicture

CRUDE, ALIKE = "crude: as they came", "adjusted"
PRACTICES = "practices"

Pair = tuple[str, "ShownDifference | None", "ShownDifference | None"]
"""Whose difference it is, as they came, and adjusted for what was recorded."""


def paired_bars(slide: Slide, pairs: Sequence[Pair], *, box: Box, size: int) -> GraphicFrame:
    """For each comparison the crude difference and, below it, the one adjusted for what was recorded."""
    from pptx.chart.data import CategoryChartData
    from pptx.enum.chart import XL_CHART_TYPE, XL_LEGEND_POSITION

    data = CategoryChartData(number_format="0.0")
    data.categories = [pair_label(pair) for pair in pairs]
    crude, alike = [one for _, one, _ in pairs], [one for _, _, one in pairs]
    sets = [difference_columns(CRUDE, crude), difference_columns(ALIKE, alike)]
    for columns in sets:
        for name, values in columns.items():
            data.add_series(name, values)
    frame = slide.shapes.add_chart(XL_CHART_TYPE.BAR_CLUSTERED, *inches(box), data)
    chart = frame.chart
    draw_with_intervals(chart, sets)
    dress_bars(chart, size)
    chart.plots[0].overlap = 0
    second = chart.plots[0].series[1].format.fill
    second.solid()
    second.fore_color.rgb = rgb(LIGHT.main)
    span_zero(chart, sets)
    axis_title(chart.value_axis, "difference in percentage points; right of 0 is worse", size)
    add_legend(chart, XL_LEGEND_POSITION.TOP, size)
    return frame


def pair_label(pair: Pair) -> str:
    """Whose difference, and on the next line both with their intervals."""
    name, crude, alike = pair
    said = [(text, row) for text, row in (("crude", crude), ("alike", alike)) if row is not None]
    return f"{name}\n{'; '.join(f'{text} {difference_told(row)}' for text, row in said)}"


def change_columns(slide: Slide, picture: ChangePicture, *, box: Box, size: int, title: str) -> GraphicFrame:
    """How many cases moved how far, in bins that meet at the threshold; adverse ones in another colour."""
    from pptx.chart.data import CategoryChartData
    from pptx.enum.chart import XL_CHART_TYPE, XL_LEGEND_POSITION, XL_TICK_LABEL_POSITION

    data = CategoryChartData(number_format="0")
    data.categories = [f"{one.low:g}".replace("-", "−") for one in picture.bins]
    data.add_series("not adverse", [one.n_not_adverse for one in picture.bins])
    data.add_series("adverse", [one.n_adverse for one in picture.bins])
    frame = slide.shapes.add_chart(XL_CHART_TYPE.COLUMN_STACKED, *inches(box), data)
    chart = frame.chart
    dress(chart, size)
    plot = chart.plots[0]
    plot.gap_width, plot.overlap = 4, 100
    for series, shade in zip(plot.series, (FILL, LIGHT.adverse), strict=True):
        series.format.fill.solid()
        series.format.fill.fore_color.rgb = rgb(shade)
    chart.category_axis.tick_label_position = XL_TICK_LABEL_POSITION.LOW
    axis_title(chart.category_axis, title, size)
    axis_title(chart.value_axis, "cases", size)
    add_legend(chart, XL_LEGEND_POSITION.TOP, size)
    return frame


def size_points(slide: Slide, pool: SharePool, *, box: Box, size: int) -> GraphicFrame:
    """Practices by their size, with the limits of chance and those that allow for the spread between practices."""
    lines = size_lines(pool)
    frame = lines_of_points(slide, lines, box=box, size=size)
    chart = frame.chart
    places = [x for points in lines.values() for x, _ in points]
    chart.category_axis.minimum_scale, chart.category_axis.maximum_scale = _sizes(places)
    shares = [y for points in lines.values() for _, y in points]
    chart.value_axis.minimum_scale, chart.value_axis.maximum_scale = 0, round_top(shares)
    percent_axis(chart, size)
    axis_title(chart.value_axis, SHARE_TITLE.replace("of counted cases that went ", ""), size)
    axis_title(chart.category_axis, "cases counted", size)
    _style(chart)
    return frame


def _sizes(places: Sequence[float]) -> tuple[float, float]:
    step = 10 if max(places) <= 200 else 100
    return step * (min(places) // step), step * (max(places) // step + 1)


def size_lines(pool: SharePool) -> dict[str, list[tuple[float, float]]]:
    """Name -> points: practices as printed, the share they are held against, and the limits from the smallest on."""
    drawn = [line for line in pool.lines if line.position and line.share is not None]
    least = min(line.n for line in drawn)
    points: dict[str, list[tuple[float, float]]] = {}
    edges = sorted((edge for edge in pool.edges if edge.n >= least / 2), key=lambda edge: edge.n)
    wanted = (("95% limits", 0.95, False), ("99.8% limits", 0.998, False), ("95%, allowing for spread", 0.95, True))
    for name, level, spread in wanted:
        kept = [edge for edge in edges if edge.spread == spread and abs(edge.level - level) < 1e-9]
        points[name] = [(float(edge.n), _percent(edge.low)) for edge in kept]
        points[f"{name}, high"] = [(float(edge.n), _percent(edge.high)) for edge in kept]
    ends = [float(edges[0].n), float(edges[-1].n)]
    points[f"all together: {share(pool.target).text}"] = [(x, _percent(pool.target)) for x in ends]
    points[PRACTICES] = [(float(line.n), _percent(line.share)) for line in drawn]  # last: drawn above the lines
    return {name: found for name, found in points.items() if found}


def _percent(value: float | None) -> float:
    return share(value).number or 0.0


def _style(chart: Chart) -> None:
    """Practices as circles; limits told apart by dashes as well as by colour, each pair named once."""
    from pptx.enum.chart import XL_MARKER_STYLE
    from pptx.enum.dml import MSO_LINE
    from pptx.oxml import parse_xml
    from pptx.oxml.ns import nsdecls

    dashes = {"95% limits": None, "99.8% limits": MSO_LINE.DASH, "95%, allowing for spread": MSO_LINE.ROUND_DOT}
    for place, series in enumerate(chart.plots[0].series):
        series.smooth = False
        kind = series.name.removesuffix(", high")
        if series.name == PRACTICES:
            series.format.line.fill.background()
            series.marker.style, series.marker.size = XL_MARKER_STYLE.CIRCLE, 11
            series.marker.format.fill.solid()
            series.marker.format.fill.fore_color.rgb = rgb(LIGHT.main)
            continue
        shade = LIGHT.second if "spread" in kind else LIGHT.quiet if kind in dashes else LIGHT.ink
        series.format.line.color.rgb, series.format.line.width = rgb(shade), in_points(2 if kind in dashes else 2.5)
        if dashes.get(kind) is not None:
            series.format.line.dash_style = dashes[kind]
        if series.name.endswith(", high"):
            entry = f'<c:legendEntry {nsdecls("c")}><c:idx val="{place}"/><c:delete val="1"/></c:legendEntry>'
            chart.legend._element.insert(1, parse_xml(entry))
