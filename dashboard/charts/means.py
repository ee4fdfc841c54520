"""The mean change of each practice with its interval, and the mean over practices at the foot. In order of size."""

from __future__ import annotations

from typing import TYPE_CHECKING

import altair as alt
import polars as pl

from dashboard.charts.forest import AHEAD, CLOSE_ROW, MOST_NAMED, OTHER, POOLED, ROW_HEIGHT, TOGETHER, YOURS
from dashboard.charts.places import x_at
from dashboard.theme import LIGHT, Palette, dressed
from warehouse.words.numbers import signed, signed_range
from warehouse.words.pooled import ORDER, mean_prediction_sentence, mean_sentence, mean_words

if TYPE_CHECKING:
    from warehouse.pooled.result import MeanPool

_KINDS = [YOURS, OTHER, TOGETHER, "ahead"]


def means_frame(found: MeanPool, *, mine: str = "") -> pl.DataFrame:
    """One row a practice, then the mean over practices and the prediction. No tag is in it."""
    rows: list[dict[str, object]] = []
    for line in found.lines:
        is_mine = bool(mine) and line.tag == mine
        said = f"{signed(line.mean, digits=2)} ({signed_range(line.low, line.high)}) · {line.n:,} cases"
        name = f"★ {line.label}, yours" if is_mine else line.label
        kind = YOURS if is_mine else OTHER
        rows.append({"name": name, "kind": kind, "said": said, "mean": line.mean, "low": line.low, "high": line.high})
    if found.figures:
        first = found.figures[0]
        value, interval = mean_words(first)
        said = f"{value} ({interval}) · {found.practices} practices"
        ends = {"mean": first.value, "low": first.low, "high": first.high}
        rows.append({"name": POOLED, "kind": TOGETHER, "said": said, **ends})
    if found.prediction_low is not None and found.prediction_high is not None:
        said = f"{signed_range(found.prediction_low, found.prediction_high)} · expected"
        rows.append({"name": AHEAD, "kind": "ahead", "said": said, "ahead_low": found.prediction_low})
        rows[-1]["ahead_high"] = found.prediction_high
    texts, numbers = ("name", "kind", "said"), ("mean", "low", "high", "ahead_low", "ahead_high")
    schema = {**dict.fromkeys(texts, pl.String), **dict.fromkeys(numbers, pl.Float64)}
    frame = pl.DataFrame([{name: row.get(name) for name in schema} for row in rows], schema=schema)
    return frame.with_row_index("position")


def means_chart(
    found: MeanPool, *, mine: str = "", palette: Palette = LIGHT, large: bool = False, width: int = 460
) -> alt.LayerChart:
    """The picture."""
    frame = means_frame(found, mine=mine)
    is_close = len(found.lines) > MOST_NAMED
    step = round((CLOSE_ROW if is_close else ROW_HEIGHT) * (1.45 if large else 1))
    down, up = (0, 0) if is_close else (round(step * 0.18), -round(step * 0.2))
    colours = alt.Scale(domain=_KINDS, range=[palette.adverse, palette.main, palette.second, palette.second])
    fills = alt.Scale(domain=_KINDS, range=[palette.adverse, palette.ground, palette.second, palette.second])
    shapes = alt.Scale(domain=_KINDS, range=["triangle-up", "circle", "diamond", "stroke"])
    colour = alt.Color("kind:N", scale=colours, legend=None)
    title = f"mean change, {found.unit} (right is worse)"
    base = alt.Chart(frame).encode(
        y=alt.Y("position:O", axis=None, scale=alt.Scale(paddingInner=0, paddingOuter=0)),
        tooltip=[alt.Tooltip("name:N"), alt.Tooltip("said:N", title="mean (interval)")],
    )
    bars = base.mark_rule(strokeWidth=4 if is_close else 6, opacity=0.45, yOffset=down, y2Offset=down).encode(
        x=alt.X("low:Q", title=""), x2=alt.X2("high"), color=colour
    )
    ahead = base.mark_rule(strokeWidth=3, strokeDash=[8, 4], yOffset=down, y2Offset=down).encode(
        x=alt.X("ahead_low:Q", title=""), x2=alt.X2("ahead_high"), color=colour
    )
    points = base.mark_point(size=70 if is_close else 110, strokeWidth=2, opacity=1, yOffset=down).encode(
        x=alt.X("mean:Q", title=title),
        shape=alt.Shape("kind:N", scale=shapes, legend=None),
        stroke=colour,
        fill=alt.Fill("kind:N", scale=fills, legend=None),
    )
    zero = alt.Chart(pl.DataFrame({"at": [0.0]})).mark_rule(color=palette.ink, strokeWidth=1.5).encode(x=alt.X("at:Q"))
    layers = [zero, bars, *([ahead] if found.prediction_low is not None else []), points]
    chart = alt.layer(*layers, *_labels(base, is_close=is_close, up=up)).properties(
        width=width, height=max(1, frame.height) * step, description=means_alt(found, mine=mine)
    )
    return dressed(chart, palette, large=large)


def _labels(base: alt.Chart, *, is_close: bool, up: int) -> list[alt.Chart]:
    if is_close:
        shown = base.transform_filter(alt.FieldOneOfPredicate("kind", [YOURS, TOGETHER, "ahead"]))
        right = shown.mark_text(align="right", fontWeight="bold")
        return [right.encode(x=x_at("width"), text=alt.Text("name:N"))]
    names = base.mark_text(align="left", dy=up, fontWeight="bold", limit=alt.ExprRef("width - 120"))
    numbers = base.mark_text(align="right", dy=up)
    return [
        names.encode(x=x_at(0), text=alt.Text("name:N")),
        numbers.encode(x=x_at("width"), text=alt.Text("said:N")),
    ]


def means_alt(found: MeanPool, *, mine: str = "") -> str:
    """What the picture shows, in words."""
    if found.refused:
        return found.refused
    rows = means_frame(found, mine=mine).filter(pl.col("kind").is_in([YOURS, OTHER])).iter_rows(named=True)
    listed = "; ".join(f"{row['name'].removeprefix('★ ')}: {row['said']}" for row in rows)
    return f"{found.about}. {mean_sentence(found)} {mean_prediction_sentence(found)} {ORDER} {listed}."
