"""Three charts of one practice over time: the sum of evidence (CUSUM), the moving average, and shares by period.

What a chart signals is told by shape and by words, never by colour alone.
"""

import altair as alt
import polars as pl

from dashboard.charts.figure import by_kind, finished, hover, level, y_at
from dashboard.theme import LIGHT, Palette
from warehouse.analysis.control_charts import ControlChart
from warehouse.questions.drift import DriftPicture
from warehouse.words.drift import average_sentence, finding, periods_sentence, reviews_sentence
from warehouse.words.numbers import percent

MOST_PERIODS_NAMED = 20
MOST_DRAWN = 2_000
"""Cases drawn at most; of more, the lowest and the highest of each stretch of them, which look the same as all."""

MOST_SIGNALS_NAMED = 40
MOST_REVIEWS_DRAWN = 200


def cusum_frame(found: DriftPicture) -> pl.DataFrame:
    """One row a case charted."""
    path = found.path
    sums = pl.Series("sum", path.values if path else (), dtype=pl.Float64)
    case = pl.int_range(1, len(sums) + 1, eager=True, dtype=pl.Int64)
    signal = case.is_in(path.signals if path else ())
    return pl.DataFrame({"case": case, "sum": sums, "signal": signal, "name": "signal at case " + case.cast(pl.String)})


def cusum_chart(found: DriftPicture, palette: Palette = LIGHT) -> alt.LayerChart:
    """The sum after each case, the limit, the signals and the planned reviews."""
    frame = cusum_frame(found)
    drawn = thinned(frame, "sum")
    limit = found.path.plan.limit if found.path else 1.0
    ahead = [one.case_number for one in found.reviews]
    last = max([frame.height, *ahead, 1])
    x = alt.X("case:Q", title="cases charted, in order of finish", scale=alt.Scale(domain=[0, last], nice=False))
    top = alt.Scale(domain=[0, 1.15 * max([limit, *drawn["sum"]])], nice=False)
    y = alt.Y("sum:Q", title="evidence of the share to notice", scale=top)
    tooltip = hover(case="case", sum="sum|.2f")
    layers = [
        *_reviews(ahead[:MOST_REVIEWS_DRAWN], x, palette),
        *level(limit, f"limit {limit:.2f}", palette.adverse, at_left=True),
        alt.Chart(drawn).mark_line(color=palette.main, strokeWidth=2).encode(x=x, y=y, tooltip=tooltip),
        *_signals(drawn.filter("signal"), x, y, palette),
    ]
    over = f"Sum of evidence over {frame.height:,} cases in order of finish."
    said = " ".join(filter(None, (over, finding(found.path), reviews_sentence(found)))) if found.path else "No chart."
    return finished(layers, palette, height=280, said=said)


def thinned(frame: pl.DataFrame, column: str) -> pl.DataFrame:
    """The rows to draw of one row a case: all of a few; of many, the lowest and highest in each stretch of cases."""
    if frame.height <= MOST_DRAWN:
        return frame
    stretch = pl.int_range(pl.len()) * (MOST_DRAWN // 2) // pl.len()
    by_height = pl.col("case").sort_by(column)
    ends = [by_height.first().over(stretch), by_height.last().over(stretch)]
    return frame.filter((pl.col("case") == ends[0]) | (pl.col("case") == ends[1]))


def _signals(frame: pl.DataFrame, x: alt.X, y: alt.Y, palette: Palette) -> list[alt.Chart]:
    """A triangle and words at each signal; no empty layer, which a screen reader would meet as a picture of nothing."""
    if frame.is_empty():
        return []
    base = alt.Chart(frame)
    marks = base.mark_point(shape="triangle-up", size=140, filled=True, opacity=1, color=palette.adverse)
    names = alt.Chart(frame.head(MOST_SIGNALS_NAMED)) if frame.height > MOST_SIGNALS_NAMED else base
    names = names.mark_text(align="right", dx=-9, color=palette.ink)
    return [marks.encode(x=x, y=y), names.encode(x=x, y=y, text=alt.Text("name:N"))]


def _reviews(numbers: list[int], x: alt.X, palette: Palette) -> list[alt.Chart]:
    frame = pl.DataFrame(
        {"case": numbers, "name": ["review"] * len(numbers)}, schema={"case": pl.Int64, "name": pl.String}
    )
    rule = alt.Chart(frame).mark_rule(color=palette.line, strokeWidth=1.5).encode(x=x)
    first = alt.Chart(frame.head(1)).mark_text(align="left", dx=4, baseline="top", color=palette.quiet)
    return [rule, first.encode(x=x, y=y_at(2), text=alt.Text("name:N"))]


def average_chart(found: DriftPicture, palette: Palette = LIGHT) -> alt.LayerChart:
    """The moving average of the share with its limits."""
    chart = found.average
    points = chart.points if chart else ()
    numbers = {name: getattr(points, name, ()) for name in ("value", "low", "high")}
    frame = pl.DataFrame(numbers, schema=dict.fromkeys(numbers, pl.Float64)).with_columns(
        pl.col("low").clip(0.0), case=pl.int_range(1, len(points) + 1, dtype=pl.Int64)
    )
    x = alt.X("case:Q", title="cases charted, in order of finish", scale=alt.Scale(nice=False))
    axis = alt.Axis(format="%", title="moving average of the share")
    base = alt.Chart(thinned(frame, "value"))
    band = base.mark_area(color=palette.second, opacity=0.16).encode(
        x=x, y=alt.Y("low:Q", axis=axis), y2=alt.Y2("high")
    )
    line = base.mark_line(color=palette.main, strokeWidth=2).encode(x=x, y=alt.Y("value:Q", axis=axis))
    sentence = average_sentence(found)
    said = f"Exponentially weighted moving average with its limits. {sentence}" if sentence else "No moving average."
    return finished([band, line, *_centre(chart, palette)], palette, height=220, said=said)


def _centre(chart: ControlChart | None, palette: Palette) -> list[alt.Chart]:
    if chart is None or chart.centre is None:
        return []
    at = pl.DataFrame({"at": [chart.centre]})
    return [alt.Chart(at).mark_rule(color=palette.ink, strokeDash=[2, 3]).encode(y=alt.Y("at:Q", title=""))]


def periods_frame(found: DriftPicture) -> pl.DataFrame:
    """One row a period of start."""
    rows = [
        {
            "period": one.label,
            "share": one.value,
            "low": one.low,
            "high": one.high,
            "kind": "outside" if one.outside else "inside",
            "said": f"{percent(one.value)} of {one.n:,} counted" if one.n else "none counted",
        }
        for one in found.periods.points
        if one.n
    ]
    numbers = dict.fromkeys(("share", "low", "high"), pl.Float64)
    return pl.DataFrame(rows, schema={"period": pl.String, **numbers, "kind": pl.String, "said": pl.String})


def periods_chart(found: DriftPicture, palette: Palette = LIGHT) -> alt.LayerChart:
    """Shares by period of start, each with the limits of its size."""
    frame = periods_frame(found)
    axis = alt.Axis(format="%", title="share adverse")
    labels = alt.Axis(labelAngle=0 if frame.height <= 6 else -90, labelOverlap=frame.height > MOST_PERIODS_NAMED)
    x = alt.X("period:O", title="started in", sort=None, axis=labels)
    kinds = {
        "outside": ("triangle-up", palette.adverse, palette.adverse),
        "inside": ("circle", palette.main, palette.ground),
    }
    base = alt.Chart(frame).encode(x=x, tooltip=hover(period="period", said="share"))
    bars = base.mark_bar(color=palette.second, opacity=0.16, size=22 if frame.height <= MOST_PERIODS_NAMED else 8)
    marks = base.mark_point(size=100, strokeWidth=2, opacity=1)
    layers = [
        bars.encode(y=alt.Y("low:Q", axis=axis), y2=alt.Y2("high")),
        *_centre(found.periods, palette),
        marks.encode(y=alt.Y("share:Q", axis=axis), **by_kind("kind", kinds)),
    ]
    listed = "; ".join(f"{row['period']}: {row['said']}" for row in frame.iter_rows(named=True))
    said = f"Share adverse by period of start, each with the limits of its size. {periods_sentence(found)} {listed}."
    return finished(layers, palette, height=240, said=said if listed else "No case was counted in any period.")
