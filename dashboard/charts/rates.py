"""Shares by group: a point for the share, a bar for its interval, a thin line for what the missing could do.

Every group has its name and numbers on a line above its bar, so that the picture keeps its shape on a narrow screen.
"""

from __future__ import annotations

from collections.abc import Mapping

import altair as alt
import polars as pl

from dashboard.charts.layers import layered
from dashboard.charts.places import x_at
from dashboard.theme import LIGHT, Palette, dressed
from warehouse.questions.shares import GroupRow, Rates
from warehouse.words.numbers import level_name, percent, percent_range

ROW_HEIGHT = 46
_NUMBERS = ("share", "low", "high", "if_none", "if_all")


def rates_frame(result: Rates) -> pl.DataFrame:
    """One row a group: what the chart shows, already worded."""
    return _frame([_row(position, group) for position, group in enumerate(result.groups)])


def side_by_side_frame(named: Mapping[str, Rates]) -> pl.DataFrame:
    """One row a result over all cases: name -> result, for whole groups shown under each other."""
    return _frame(
        [_row(position, result.groups[0]) | {"group": name} for position, (name, result) in enumerate(named.items())]
    )


def frame_alt(frame: pl.DataFrame) -> str:
    """The rows of a frame read aloud."""
    return "; ".join(_read_aloud(row) for row in frame.iter_rows(named=True)) + "."


def _frame(rows: list[dict[str, object]]) -> pl.DataFrame:
    texts = ("group", "counts", "said")
    schema = {"position": pl.Int64, **dict.fromkeys(texts, pl.String), **dict.fromkeys(_NUMBERS, pl.Float64)}
    return pl.DataFrame(rows, schema=schema)


def _row(position: int, group: GroupRow) -> dict[str, object]:
    interval = group.rate.interval
    known = group.rate.value is not None and interval is not None
    absent = "none counted" if group.counted.value == 0 else "not shown"
    return {
        "position": position,
        "group": group.label,
        "counts": f"{group.adverse.shown} of {group.counted.shown}",
        "share": group.rate.value,
        "low": interval.low if known and interval else None,
        "high": interval.high if known and interval else None,
        "if_none": group.if_none.value if known else None,
        "if_all": group.if_all.value if known else None,
        "said": f"{percent(group.rate.value)} ({percent_range(interval)})" if known else absent,
    }


def rates_chart(result: Rates, *, palette: Palette = LIGHT, large: bool = False, width: int = 460) -> alt.LayerChart:
    """Shares by group with intervals and bounds."""
    return shares_chart(rates_frame(result), said=rates_alt(result), palette=palette, large=large, width=width)


def shares_chart(
    frame: pl.DataFrame, *, said: str, palette: Palette = LIGHT, large: bool = False, width: int = 460
) -> alt.LayerChart:
    """The chart of a frame as made by :func:`rates_frame`; ``said`` is its text alternative."""
    step = ROW_HEIGHT * (1.45 if large else 1)
    frame = frame.with_columns(
        pl.when(pl.col("share").is_null())
        .then("said")
        .otherwise(pl.format("{} · {}", _percents(), "counts"))
        .alias("right")
    )
    scale = alt.Scale(domain=[0, _top(frame)], nice=False)
    x = alt.X(
        "share:Q", scale=scale, axis=alt.Axis(format="%", tickCount=8, title="share of counted cases that went adverse")
    )
    base = alt.Chart(frame).encode(
        y=alt.Y("position:O", axis=None, scale=alt.Scale(paddingInner=0, paddingOuter=0)),
        tooltip=[
            alt.Tooltip("group:N", title="group"),
            alt.Tooltip("said:N", title="share (interval)"),
            alt.Tooltip("counts:N", title="adverse of counted"),
        ],
    )
    down, up = round(step * 0.18), -round(step * 0.2)
    bounds = base.mark_rule(color=palette.quiet, strokeDash=[2, 3], yOffset=down, y2Offset=down).encode(
        x=alt.X("if_none:Q", scale=scale, title=""), x2=alt.X2("if_all")
    )
    intervals = base.mark_rule(
        color=palette.main, strokeWidth=10 if large else 6, opacity=0.45, yOffset=down, y2Offset=down
    ).encode(x=alt.X("low:Q", scale=scale, title=""), x2=alt.X2("high"))
    points = base.mark_point(
        color=palette.main, filled=True, size=220 if large else 110, shape="diamond", opacity=1, yOffset=down
    ).encode(x=x)
    names = base.mark_text(align="left", dx=5, dy=up, fontWeight="bold", limit=alt.ExprRef("width - 120")).encode(
        x=x_at(0), text=alt.Text("group:N")
    )
    numbers = base.mark_text(align="right", dy=up).encode(x=x_at("width"), text=alt.Text("right:N"))
    chart = layered(
        bounds, intervals, points, names, numbers, width=width, height=max(1, frame.height) * step, description=said
    )
    return dressed(chart, palette, large=large)


def _percents() -> pl.Expr:
    return pl.col("share").map_elements(percent, return_dtype=pl.String)


def _top(frame: pl.DataFrame) -> float:
    columns = (frame[name].drop_nulls().to_list() for name in ("share", "if_all", "high"))
    known: list[float] = [value for column in columns for value in column]
    return min(1.0, max([0.05, *known]) * 1.05)


def rates_alt(result: Rates) -> str:
    """What the chart shows, in words, for those who do not see it."""
    title = result.by.title if result.by else "All cases"
    listed = frame_alt(rates_frame(result))
    dotted = " Dotted lines: share if none, or all, of the missing went adverse." if result.policy.hides_nothing else ""
    return f"{title}. Share adverse under {result.definition.name} with {level_name(result.level)}. {listed}{dotted}"


def _read_aloud(row: Mapping[str, object]) -> str:
    return f"{row['group']} ({row['counts']}): {row['said']}"
