"""A measure at three times: a line a case, and the medians."""

import altair as alt
import polars as pl

from dashboard.charts.figure import finished
from dashboard.theme import LIGHT, Palette
from warehouse.questions.three_times import TIMES, ThreeTimes
from warehouse.words.changes import three_times_sentence

NAMED = dict(zip(TIMES, ("start", "on the way", "finish"), strict=True))
MOST_LINES = 400


def three_times_chart(found: ThreeTimes, palette: Palette = LIGHT) -> alt.LayerChart:
    """Thin lines are cases (every k-th where there are very many), the thick one joins the medians."""
    drawn = found.frame.gather_every(1 + found.frame.height // MOST_LINES)
    long = drawn.unpivot(on=list(TIMES), index="case_no", variable_name="time").with_columns(
        pl.col("time").replace_strict(NAMED)
    )
    axis = alt.X("time:N", sort=list(NAMED.values()), title="", axis=alt.Axis(labelAngle=0))
    value = alt.Y("value:Q", title=[found.measure.label, found.measure.unit], scale=alt.Scale(zero=False))
    cases = alt.Chart(long).mark_line(color=palette.quiet, strokeWidth=1, opacity=0.35)
    middle = alt.Chart(pl.DataFrame({"time": list(NAMED.values()), "value": list(found.medians)}))
    named = middle.mark_text(align="left", dx=8, dy=-10, color=palette.main).encode(
        x=axis, y=value, text=alt.Text("value:Q", format=".1f")
    )
    layers = [
        cases.encode(x=axis, y=value, detail="case_no:N"),
        middle.mark_line(color=palette.main, strokeWidth=4, point={"size": 90, "filled": True}).encode(x=axis, y=value),
        named,
    ]
    return finished(layers, palette, height=280, said=three_times_sentence(found))
