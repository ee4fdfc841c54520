"""Tables with shaded cells: two groupings crossed, and how complete each field is year by year.

Every row has its name above its cells, and every cell its number in it.
"""

from collections.abc import Sequence
from typing import Any

import altair as alt
import polars as pl

from dashboard.charts.figure import finished, hover, in_order, x_at
from dashboard.theme import LIGHT, Palette, text_on, turning_point
from warehouse.questions.crossed import CrossedComparison
from warehouse.upkeep.data_quality import Completeness
from warehouse.words.numbers import percent

CROSSED_ROW, FIELD_ROW = 62, 44
FEW = 10
"""Cases below which a cell is pale, whatever its share."""


def _ink(test: str, ground: str, shade: str) -> Any:  # noqa: ANN401 - as Altair makes it
    """Letters that can be read on a cell: those of the full shade where the test is true."""
    return alt.condition(test, alt.value(text_on(shade)), alt.value(text_on(ground)))


def _names(frame: pl.DataFrame, field: str, dy: int) -> alt.Chart:
    first = alt.Chart(frame.unique(field, keep="first", maintain_order=True))
    names = first.mark_text(align="left", dy=dy, fontWeight="bold", limit=alt.ExprRef("width"))
    named: alt.Chart = names.encode(x=x_at(0), y=in_order(field), text=alt.Text(f"{field}:N"))
    return named


def crossed_frame(found: CrossedComparison) -> pl.DataFrame:
    """One row a cell."""
    rows = [
        {
            "group": found.groups[cell.group],
            "level": found.levels[cell.level],
            "share": cell.share.value,
            "percent": percent(cell.share.value, digits=0) if cell.n else "—",
            "counts": f"{cell.n_adverse:,} of {cell.n:,}" if cell.n else "no case",
            "is_few": cell.n < FEW,
        }
        for cell in found.cells
    ]
    texts = dict.fromkeys(("group", "level", "percent", "counts"), pl.String)
    return pl.DataFrame(rows, schema={**texts, "share": pl.Float64, "is_few": pl.Boolean})


def crossed_chart(found: CrossedComparison, palette: Palette = LIGHT) -> alt.LayerChart:
    """A row a group, a column a level, shaded by share; the share and its counts are written in every cell."""
    frame = crossed_frame(found)
    levels = list(found.levels.values())
    top = max(frame.filter(~pl.col("is_few"))["share"].drop_nulls().to_list(), default=1.0) or 1.0
    lines = max((len(level.split(" ")) for level in levels), default=1)
    room = 4 + 14 * (lines - 1)
    axis = alt.Axis(labelAngle=0, orient="top", labelExpr="split(datum.label, ' ')", labelLimit=90, labelPadding=room)
    base = alt.Chart(frame).encode(
        x=alt.X("level:N", sort=levels, title=found.by2.title, axis=axis),
        y=alt.Y("group:N", sort=list(found.groups.values()), axis=None),
        tooltip=hover(group="group", level="level", percent="percent", counts="counts"),
    )
    shade = alt.Scale(domain=[0, top], range=[palette.ground, palette.adverse], clamp=True, interpolate="rgb")
    cells = base.mark_rect(stroke=palette.line, height=36, yOffset=12).encode(
        color=alt.Color("share:Q", scale=shade, legend=None),
        opacity=alt.condition("datum.is_few", alt.value(0.25), alt.value(1)),
    )
    turn = turning_point(palette.ground, palette.adverse) * top
    ink = _ink(f"datum.share >= {turn} && !datum.is_few", palette.ground, palette.adverse)
    shares = base.mark_text(yOffset=5, fontSize=12, fontWeight="bold").encode(text=alt.Text("percent:N"), color=ink)
    counts = base.mark_text(yOffset=20, fontSize=10).encode(text=alt.Text("counts:N"), color=ink)
    layers = [cells, shares, counts, _names(frame, "group", -16)]
    return finished(layers, palette, height=max(1, len(found.groups)) * CROSSED_ROW, said=crossed_alt(found))


def crossed_alt(found: CrossedComparison) -> str:
    """Every cell with a case, in words."""
    rows = (row for row in crossed_frame(found).iter_rows(named=True) if row["percent"] != "—")
    listed = "; ".join(f"{row['group']}, {row['level']}: {row['percent']} ({row['counts']})" for row in rows)
    return f"Share adverse by {found.by.title.lower()} and {found.by2.title.lower()}. {listed}."


def completeness_chart(found: Sequence[Completeness], palette: Palette = LIGHT) -> alt.LayerChart:
    """A row a field, a column a year, a percentage a cell, the stronger in colour the more is missing."""
    rows = [
        {"field": one.field, "year": one.year, "n": one.n, "known": one.n_known}
        | ({"share": one.n_known / one.n, "missing": 1 - one.n_known / one.n} if one.n else {})
        for one in found
    ]
    counts = dict.fromkeys(("n", "known"), pl.Int64)
    schema = {"field": pl.String, "year": pl.String, **counts, "share": pl.Float64, "missing": pl.Float64}
    frame = pl.DataFrame(rows, schema=schema)
    base = alt.Chart(frame).encode(
        x=alt.X("year:O", title="year of start", axis=alt.Axis(labelAngle=0, orient="top")),
        y=in_order("field"),
        tooltip=hover(field="field", year="year", known="cases with it", n="cases that should have it"),
    )
    shade = alt.Scale(domain=[0, 1], range=[palette.ground, palette.second], interpolate="rgb")
    cells = base.mark_rect(stroke=palette.line, height=20, yOffset=10).encode(
        color=alt.Color("missing:Q", scale=shade, legend=None)
    )
    turn = turning_point(palette.ground, palette.second)
    ink = _ink(f"datum.missing >= {turn}", palette.ground, palette.second)
    numbers = base.mark_text(yOffset=10, fontSize=11).encode(text=alt.Text("share:Q", format=".0%"), color=ink)
    layers = [cells, numbers, _names(frame, "field", -10)]
    height = max(1, frame["field"].n_unique()) * FIELD_ROW
    return finished(layers, palette, height=height, said=completeness_alt(found))


def completeness_alt(found: Sequence[Completeness]) -> str:
    """Fields least complete first, over all years, in words."""
    totals: dict[str, tuple[int, int]] = {}
    for one in found:
        n, known = totals.get(one.field, (0, 0))
        totals[one.field] = n + one.n, known + one.n_known
    shares = sorted((known / n, field) for field, (n, known) in totals.items() if n)
    if not shares:
        return "No case, so nothing can be complete."
    listed = "; ".join(f"{field}: {share:.0%}" for share, field in shares[:6])
    return f"Completeness of {len(shares)} fields by year of start. Least complete: {listed}."
