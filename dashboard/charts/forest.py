"""Practices beside each other: each with its interval and its partly pooled share, the pooled mean at the foot.

In order of size, never of result. One's own practice has a filled mark, a star and its name; the others are open
circles. A practice whose count is hidden has a dotted line over what its share can be, and no mark.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import altair as alt
import polars as pl

from dashboard.charts.places import x_at
from dashboard.theme import LIGHT, Palette, dressed
from warehouse.words.numbers import between, percent
from warehouse.words.pooled import ORDER, figure_words, pooled_sentence, prediction_sentence

if TYPE_CHECKING:
    from collections.abc import Mapping

    from warehouse.pooled.result import PracticeLine, SharePool

ROW_HEIGHT = 46
CLOSE_ROW = 22
MOST_NAMED = 15
"""Up to so many practices each has its numbers above its line; of more, only one's own and the pooled mean."""

POOLED = "all together"
AHEAD = "a new practice"
YOURS, OTHER, TOGETHER = "yours", "other", "together"
_NUMBERS = ("share", "low", "high", "drawn", "hidden_low", "hidden_high", "ahead_low", "ahead_high")


def forest_frame(found: SharePool, *, mine: str = "") -> pl.DataFrame:
    """One row a practice, then the pooled mean and the prediction; ``mine`` is the tag of one's own line.

    Nothing that names a practice is in it, nor any tag.
    """
    rows = [_row(place, line, is_mine=bool(mine) and line.tag == mine) for place, line in enumerate(found.lines)]
    first = found.figures[0] if found.figures else None
    if first is not None:
        rows.append(_text(len(rows), POOLED, TOGETHER, figure_words(first), f"{found.practices} practices"))
        rows[-1] |= {"share": first.value, "low": first.low, "high": first.high}
    if found.prediction_low is not None and found.prediction_high is not None:
        ends = between(found.prediction_low, found.prediction_high)
        rows.append(_text(len(rows), AHEAD, "ahead", ends, "expected"))
        rows[-1] |= {"ahead_low": found.prediction_low, "ahead_high": found.prediction_high}
    texts = ("name", "kind", "said", "counts")
    schema = {"position": pl.Int64, **dict.fromkeys(texts, pl.String), **dict.fromkeys(_NUMBERS, pl.Float64)}
    return pl.DataFrame([{name: row.get(name) for name in schema} for row in rows], schema=schema)


def _text(place: int, name: str, kind: str, said: str, counts: str) -> dict[str, object]:
    return {"position": place, "name": name, "kind": kind, "said": said, "counts": counts}


def _row(place: int, line: PracticeLine, *, is_mine: bool) -> dict[str, object]:
    name = f"★ {line.label}, yours" if is_mine else line.label
    counts = f"{line.adverse} of {line.counted}"
    if line.share is None:
        row = _text(place, name, YOURS if is_mine else OTHER, f"hidden, {between(line.low, line.high)}", counts)
        return row | {"hidden_low": line.low, "hidden_high": line.high}
    row = _text(
        place, name, YOURS if is_mine else OTHER, f"{percent(line.share)} ({between(line.low, line.high)})", counts
    )
    return row | {"share": line.share, "low": line.low, "high": line.high, "drawn": line.pooled_share}


def forest_chart(
    found: SharePool, *, mine: str = "", palette: Palette = LIGHT, large: bool = False, width: int = 460
) -> alt.LayerChart:
    """The picture."""
    frame = forest_frame(found, mine=mine)
    is_close = len(found.lines) > MOST_NAMED
    step = round((CLOSE_ROW if is_close else ROW_HEIGHT) * (1.1 if large else 1))  # rows enough for a room's screen
    down, up = (0, 0) if is_close else (round(step * 0.18), -round(step * 0.2))
    x = alt.X("share:Q", scale=_scale(frame), axis=alt.Axis(format="%", tickCount=8, title="share adverse"))
    y = alt.Y("position:O", axis=None, scale=alt.Scale(paddingInner=0, paddingOuter=0))
    base = alt.Chart(frame).encode(y=y, tooltip=[alt.Tooltip(f"{name}:N") for name in ("name", "said", "counts")])
    colour = _by_kind(palette)

    def lines(low: str, high: str, **marks: object) -> list[alt.Chart]:
        """Lines from one end to the other; no layer where no practice has one."""
        if frame[low].is_null().all():
            return []
        ends = {"x": alt.X(f"{low}:Q", scale=_scale(frame), title=""), "x2": alt.X2(high)}
        drawn: alt.Chart = base.mark_rule(yOffset=down, y2Offset=down, **marks).encode(**ends, color=colour)  # type: ignore[arg-type]
        return [drawn]

    bars = [
        *lines("low", "high", strokeWidth=4 if is_close else 6, opacity=0.45),
        *lines("hidden_low", "hidden_high", strokeWidth=2, strokeDash=[2, 4]),
        *lines("ahead_low", "ahead_high", strokeWidth=3, strokeDash=[8, 4]),
    ]
    points = base.mark_point(size=70 if is_close else 110, strokeWidth=2, opacity=1, yOffset=down).encode(
        x=x, shape=_shapes(), stroke=colour, fill=_fill(palette)
    )
    drawn = base.mark_tick(color=palette.ink, thickness=2.5, size=12 if is_close else 20, yOffset=down).encode(
        x=alt.X("drawn:Q", scale=_scale(frame), title="")
    )
    layers = [*_pooled_rule(found, palette, frame), *bars, points, drawn]
    chart = alt.layer(*layers, *_labels(frame, base, is_close=is_close, up=up)).properties(
        width=width, height=max(1, frame.height) * step, description=forest_alt(found, mine=mine)
    )
    return dressed(chart, palette, large=large)


def _labels(frame: pl.DataFrame, base: alt.Chart, *, is_close: bool, up: int) -> list[alt.Chart]:
    """Names and numbers above the lines; where lines lie close, one's own name and those at the foot, at the right."""
    if is_close:
        shown = base.transform_filter(alt.FieldOneOfPredicate("kind", [YOURS, TOGETHER, "ahead"]))
        right = shown.mark_text(align="right", fontWeight="bold")
        return [right.encode(x=x_at("width"), text=alt.Text("name:N"))]
    names = base.mark_text(align="left", dy=up, fontWeight="bold", limit=alt.ExprRef("width - 120"))
    numbers = base.mark_text(align="right", dy=up)
    with_counts = numbers.transform_calculate(right="datum.said + ' · ' + datum.counts")
    return [
        names.encode(x=x_at(0), text=alt.Text("name:N")),
        with_counts.encode(x=x_at("width"), text=alt.Text("right:N")),
    ]


def _pooled_rule(found: SharePool, palette: Palette, frame: pl.DataFrame) -> list[alt.Chart]:
    value = found.figures[0].value if found.figures else None
    if value is None:
        return []
    at = pl.DataFrame({"at": [value]})
    rule = alt.Chart(at).mark_rule(color=palette.second, strokeDash=[5, 4], strokeWidth=1.5)
    return [rule.encode(x=alt.X("at:Q", scale=_scale(frame), title=""))]


def _by_kind(palette: Palette) -> alt.Color:
    colours = [palette.adverse, palette.main, palette.second, palette.second]
    return alt.Color("kind:N", scale=alt.Scale(domain=[YOURS, OTHER, TOGETHER, "ahead"], range=colours), legend=None)


def _shapes() -> alt.Shape:
    shapes = alt.Scale(domain=[YOURS, OTHER, TOGETHER, "ahead"], range=["triangle-up", "circle", "diamond", "stroke"])
    return alt.Shape("kind:N", scale=shapes, legend=None)


def _fill(palette: Palette) -> alt.Fill:
    colours = [palette.adverse, palette.ground, palette.second, palette.second]
    return alt.Fill("kind:N", scale=alt.Scale(domain=[YOURS, OTHER, TOGETHER, "ahead"], range=colours), legend=None)


def _scale(frame: pl.DataFrame) -> alt.Scale:
    known: list[float] = [value for name in _NUMBERS for value in frame[name].drop_nulls().to_list()]
    return alt.Scale(domain=[0, min(1.0, max([0.05, *known]) * 1.05)], nice=False)


def forest_alt(found: SharePool, *, mine: str = "") -> str:
    """What the picture shows, in words."""
    if found.refused:
        return found.refused
    rows = forest_frame(found, mine=mine).filter(pl.col("kind").is_in([YOURS, OTHER]))
    listed = "; ".join(_read_aloud(row) for row in rows.iter_rows(named=True))
    return f"{pooled_sentence(found)} {prediction_sentence(found)} {ORDER} {listed}."


def _read_aloud(row: Mapping[str, object]) -> str:
    return f"{str(row['name']).removeprefix('★ ')} ({row['counts']}): {row['said']}"
