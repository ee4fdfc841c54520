"""Estimates below each other: name and numbers above the line, then the interval, its mark, and dotted bounds.

Every row has its words on a line above its bar, so that the picture keeps its shape on a narrow screen. Practices stand
in order of size, never of result: one's own has a filled mark, a star and its name, the others are open circles, and
one whose count is hidden has a dotted line over what its share can be, and no mark.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import altair as alt
import polars as pl

from dashboard.charts.figure import ChartFigure, by_kind, hover, x_at
from dashboard.theme import Palette
from warehouse.pooled.result import Figure as PooledFigure
from warehouse.pooled.result import MeanPool, PracticeLine, SharePool
from warehouse.questions.shares import GroupRow, Rates
from warehouse.results import Estimate
from warehouse.words.numbers import between, level_name, percent, percent_range, points_range, signed, signed_range
from warehouse.words.pooled import (
    ORDER,
    figure_words,
    mean_prediction_sentence,
    mean_sentence,
    mean_words,
    pooled_sentence,
    prediction_sentence,
)
from warehouse.words.shares import bounds_sentence

ROW_HEIGHT = 42
CLOSE_ROW = 22
MOST_NAMED = 15
"""Up to so many practices each has its numbers above its line; of more, only one's own and the pooled mean."""

ROOM = 420  # pixels that rows fill on a projector: a few stand wide apart, many close together

POOLED = "all together"
AHEAD = "a new practice"
COUNTED, BESIDE, YOURS, OTHER, TOGETHER, EXPECTED = "counted", "beside", "yours", "other", "together", "ahead"
MOST_GROUPS = 7
"""Groups of a picture among others, the largest."""

CHOSEN = "chosen"  # name of what is chosen by a click on a row

DIFFERENCE = "difference in percentage points; right of 0 is worse"

_TEXTS = ("name", "kind", "said", "counts", "right")
_NUMBERS = ("value", "low", "high", "least", "most", "drawn", "ahead_low", "ahead_high")
_SCHEMA = {**dict.fromkeys(_TEXTS, pl.String), **dict.fromkeys(_NUMBERS, pl.Float64)}


def intervals_frame(rows: Iterable[Mapping[str, object]]) -> pl.DataFrame:
    """Rows as :class:`Intervals` draws them; what a row does not give is null.

    ``name``, ``kind`` (which mark), ``said`` (the estimate in words), ``counts`` (what it rests on), ``right`` (what
    stands above the line at the right), ``value``, ``low`` and ``high``, the bounds ``least`` and ``most``, ``drawn``
    (partly pooled), and the ends of what is to be expected of a further one.
    """
    listed = [{name: row.get(name) for name in _SCHEMA} for row in rows]
    return pl.DataFrame(listed, schema=_SCHEMA).with_row_index("position")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Intervals(ChartFigure):
    """Estimates with their intervals, one below the other."""

    axis: str  # What lies on the axis
    unit: Literal["share", "points", "mean"] = "share"  # A part of one, percentage points, or the unit of a measure
    line: float | None = None  # Where the share of all together stands
    is_close: bool = False  # Whether rows are too many for words above each
    is_small: bool = False  # Name, interval and numbers on one line, for a picture among others
    chosen_by: str = ""  # Column of the codes that a click on a row gives back; empty where none can be chosen

    def height(self, *, large: bool) -> float:
        """So many rows below each other."""
        return max(1, self.frame.height) * self._step(large=large)

    def _step(self, *, large: bool) -> int:
        usual = CLOSE_ROW if self.is_close or self.is_small else ROW_HEIGHT
        return round(max(1.1 * usual, min(2.2 * usual, ROOM / max(1, self.frame.height)))) if large else usual

    def layers(self, palette: Palette, *, large: bool) -> list[alt.Chart]:
        """Bounds, intervals and marks, and the words above them."""
        step = self._step(large=large)
        down = 0 if self.is_close or self.is_small else round(step * (0.24 if large else 0.18))
        marks = by_kind("kind", _kinds(palette))
        colours = alt.Color("kind:N", scale=marks["stroke"]["scale"], legend=None)
        has_counts = not self.frame["counts"].is_null().all()
        counts = {"counts": "adverse of counted" if self.unit == "share" else "cases"} if has_counts else {}
        base = alt.Chart(self.frame).encode(
            y=alt.Y("position:O", axis=None, scale=alt.Scale(paddingInner=0, paddingOuter=0)),
            tooltip=hover(name="name", said="with interval", **counts),
        )

        def lines(low: str, high: str, **look: Any) -> list[alt.Chart]:  # noqa: ANN401 - as Altair takes
            """Lines from one end to the other; no layer where no row has one."""
            if self.frame[low].is_null().all():
                return []
            drawn: alt.Chart = base.mark_rule(yOffset=down, y2Offset=down, **look).encode(
                x=self._x(low), x2=alt.X2(high)
            )
            return [drawn if "color" in look else drawn.encode(color=colours)]

        thick = 4 if self.is_close or self.is_small else 10 if large else 6
        size = 70 if self.is_close or self.is_small else 220 if large else 110
        points = base.mark_point(size=size, strokeWidth=2, opacity=1, yOffset=down)
        pooled = base.mark_tick(color=palette.ink, thickness=2.5, size=12 if self.is_close else 20, yOffset=down)
        return [
            *self._line(palette),
            *lines("least", "most", strokeWidth=2, strokeDash=[2, 3], color=palette.quiet),
            *lines("low", "high", strokeWidth=thick, opacity=0.45),
            *lines("ahead_low", "ahead_high", strokeWidth=3, strokeDash=[8, 4]),
            points.encode(x=self._x("value", self.axis), **marks),
            *([] if self.frame["drawn"].is_null().all() else [pooled.encode(x=self._x("drawn"))]),
            *self._labels(base, up=-round(step * (0.24 if large else 0.2)), letter=12.5 if large else 6.8),
            *([_rows_to_choose(base, self.chosen_by)] if self.chosen_by else []),
        ]

    def _x(self, column: str, title: str = "") -> alt.X:
        if self.unit != "share":
            return alt.X(f"{column}:Q", title=title)
        known = [value for name in _NUMBERS for value in self.frame[name].drop_nulls().to_list()]
        ends: dict[str, Any] = (
            {"range": [alt.ExprRef("width * 0.4"), alt.ExprRef("width * 0.64")]} if self.is_small else {}
        )
        scale = alt.Scale(domain=[0, min(1.0, max([0.05, *known]) * 1.05)], nice=False, **ends)
        ticks, said = (3, "") if self.is_small else (8, title)
        axis = {"axis": alt.Axis(format="%", tickCount=ticks, title=said)} if title else {"title": ""}
        return alt.X(f"{column}:Q", scale=scale, **axis)

    def _line(self, palette: Palette) -> list[alt.Chart]:
        """The share of all together, or no difference."""
        at = self.line if self.unit == "share" else 0.0
        if at is None:
            return []
        look = {"color": palette.second, "strokeDash": [5, 4]} if self.unit == "share" else {"color": palette.ink}
        base = alt.Chart(pl.DataFrame({"at": [at]}))
        return [base.mark_rule(strokeWidth=1.5, **look).encode(x=self._x("at"))]

    def _labels(self, base: alt.Chart, *, up: int, letter: float) -> list[alt.Chart]:
        """Names and numbers above the lines; of close lines one's own name and those at the foot, at the right."""
        if self.is_close:
            shown = base.transform_filter(alt.FieldOneOfPredicate("kind", [YOURS, TOGETHER, EXPECTED]))
            right = shown.mark_text(align="right", fontWeight="bold")
            return [right.encode(x=x_at("width"), text=alt.Text("name:N"))]
        if self.is_small:
            names = base.mark_text(align="left", limit=alt.ExprRef("width * 0.39"))
            numbers = base.mark_text(align="right", limit=alt.ExprRef("width * 0.35"))
        else:
            fits = f"max(90, width - {letter} * length(datum.right) - 8)"  # a name sure to fit is not measured for it
            room = alt.ExprRef(f"2 * {letter} * length(datum.name) < {fits} ? 0 : {fits}")
            names = base.mark_text(align="left", dx=5, dy=up, fontWeight="bold", limit=room)
            numbers = base.mark_text(align="right", dy=up)
        return [
            names.encode(x=x_at(0), text=alt.Text("name:N")),
            numbers.encode(x=x_at("width"), text=alt.Text("right:N")),
        ]


def _rows_to_choose(base: alt.Chart, column: str) -> alt.Chart:
    """An area over every row, to click on."""
    area = base.mark_bar(opacity=0, cursor="pointer").encode(x=x_at(0), x2=alt.X2Value("width"))  # type: ignore[no-untyped-call]
    drawn: alt.Chart = area.add_params(alt.selection_point(name=CHOSEN, fields=[column], on="click", empty=False))
    return drawn


def _kinds(palette: Palette) -> dict[str, tuple[str, str, str]]:
    """Kind -> shape, outline and filling of its mark."""
    return {
        COUNTED: ("diamond", palette.main, palette.main),
        BESIDE: ("diamond", palette.main, palette.ground),
        YOURS: ("triangle-up", palette.adverse, palette.adverse),
        OTHER: ("circle", palette.main, palette.ground),
        TOGETHER: ("diamond", palette.second, palette.second),
        EXPECTED: ("stroke", palette.second, palette.second),
    }


def row(
    name: str, kind: str, numbers: Sequence[float | None], said: str, *, counts: str | None = None, **more: float | None
) -> dict[str, object]:
    """A row of a frame; ``numbers`` are value, low and high, and what is said of them stands above them."""
    right = said if counts is None else f"{said} · {counts}"
    ends = dict(zip(("value", "low", "high"), numbers, strict=True))
    return {"name": name, "kind": kind, "said": said, "counts": counts, "right": right, **ends, **more}


def shares_figure(result: Rates) -> Intervals:
    """Shares by group, with what the missing could do."""
    frame = intervals_frame(_group(group, group.label) for group in result.groups)
    title = result.by.title if result.by else "All cases"
    dotted = " Dotted lines: share if none, or all, of the missing went adverse." if result.policy.hides_nothing else ""
    listed = read_aloud(frame)
    said = f"{title}. Share adverse under {result.definition.name} with {level_name(result.level)}. {listed}{dotted}"
    return drawn_shares(frame, said)


def glance_figure(result: Rates, *, most: int = MOST_GROUPS) -> Intervals:
    """The largest groups, a line each, to choose among; their codes are in column ``code``."""
    by_size = sorted(result.groups, key=lambda group: -(group.counted.value or 0))[:most]
    groups = [group for group in result.groups if group in by_size]
    full = shares_figure(replace(result, groups=tuple(groups)))
    shares = pl.col("value").map_elements(lambda share: percent(share, digits=0), return_dtype=pl.String)
    said = pl.when(pl.col("value").is_null()).then("said").otherwise(pl.format("{} · {}", shares, "counts"))
    frame = full.frame.with_columns(right=said, code=pl.Series([group.group for group in groups], dtype=pl.String))
    return replace(full, frame=frame, is_small=True, chosen_by="code" if result.policy.hides_nothing else "")


def side_by_side_figure(named: Mapping[str, Rates]) -> Intervals:
    """Results over all cases below each other: name -> result."""
    frame = intervals_frame(_group(result.groups[0], name) for name, result in named.items())
    return drawn_shares(frame, read_aloud(frame))


def paired_figure(left: Rates, right: Rates, *, most: int = MOST_GROUPS) -> Intervals:
    """The largest groups of two selections, each group twice on one axis."""
    held = [{group.label: group for group in one.groups} for one in (left, right)]
    sizes = {label: sum(one[label].counted.n for one in held if label in one) for label in held[0] | held[1]}
    shown = sorted(sizes, key=sizes.__getitem__, reverse=True)[:most]
    labels = [label for label in sizes if label in shown]
    sides = list(zip(("left", "right"), held, strict=True))
    frame = intervals_frame(
        _group(one[label], f"{side}: {label}") for label in labels for side, one in sides if label in one
    )
    return replace(drawn_shares(frame, read_aloud(frame)), is_small=True)


def drawn_shares(frame: pl.DataFrame, said: str) -> Intervals:
    """Shares as a figure; where there is one, it stands before its counts above the line at the right."""
    shares = pl.col("value").map_elements(percent, return_dtype=pl.String)
    right = pl.when(pl.col("value").is_null()).then("said").otherwise(pl.format("{} · {}", shares, "counts"))
    return Intervals(frame=frame.with_columns(right=right), alt=said, axis="share of counted cases that went adverse")


def read_aloud(frame: pl.DataFrame) -> str:
    """The rows in words."""
    rows = frame.iter_rows(named=True)
    return "; ".join(f"{one['name'].removeprefix('★ ')} ({one['counts']}): {one['said']}" for one in rows) + "."


def _group(group: GroupRow, name: str) -> dict[str, object]:
    value, interval = group.rate.value, group.rate.interval
    counts = f"{group.adverse.shown} of {group.counted.shown}"
    if value is None or interval is None:
        absent = "none counted" if group.counted.value == 0 else "not shown"
        return row(name, COUNTED, (value, None, None), absent, counts=counts)
    said = f"{percent(value)} ({percent_range(interval)})"
    bounds = {"least": group.if_none.value, "most": group.if_all.value}
    return {**row(name, COUNTED, (value, interval.low, interval.high), said, counts=counts), **bounds}


def bounds_figure(group: GroupRow) -> Intervals:
    """The share counted, between the shares if none or all of the missing went adverse."""
    least, most = group.if_none.value, group.if_all.value
    marks = (
        ("the missing: none adverse", BESIDE, least),
        ("as counted", COUNTED, group.rate.value),
        ("the missing: all adverse", BESIDE, most),
    )
    rows = [
        row(name, kind, (value, None, None), percent(value), least=least, most=most)
        for name, kind, value in marks
        if value is not None
    ]
    return Intervals(frame=intervals_frame(rows), alt=bounds_sentence(group), axis="share adverse")


def contrasts_figure(named: Mapping[str, Estimate], *, main: str = "") -> Intervals:
    """Differences of shares: name -> estimate. The one that counts, ``main``, has a filled mark and a star."""
    rows, listed = [], []
    for name, found in named.items():
        ends = (found.interval.low, found.interval.high) if found.interval else (None, None)
        numbers = [None if one is None else 100 * one for one in (found.value, *ends)]
        is_withheld = any(one.kind == "withheld" for one in found.warnings)
        none = "withheld" if is_withheld else "not known"
        said = none if numbers[0] is None else f"{signed(numbers[0])} ({points_range(found.interval)})"
        rows.append(row(starred(name, name == main), COUNTED if name == main else BESIDE, numbers, said))
        listed.append(f"{name}: {said}")
    said = f"Differences in percentage points with their intervals. {'; '.join(listed)}."
    return Intervals(frame=intervals_frame(rows), alt=said, axis=DIFFERENCE, unit="points")


def starred(name: str, is_starred: bool) -> str:
    """A name, marked by more than the colour of its row."""
    return f"★ {name}" if is_starred else name


def forest_figure(pool: SharePool, *, mine: str = "") -> Intervals:
    """Practices with their shares, then the pooled share and the prediction; ``mine`` is the tag of one's own line.

    Nothing that names a practice is in it, nor any tag.
    """
    rows = [_practice(line, is_mine=bool(mine) and line.tag == mine) for line in pool.lines]
    listed = read_aloud(intervals_frame(rows))
    rows += [_together(pool, one, figure_words(one)) for one in pool.figures[:1]]
    return Intervals(
        frame=intervals_frame([*rows, *_expected(pool, between)]),
        alt=pool.refused or f"{pooled_sentence(pool)} {prediction_sentence(pool)} {ORDER} {listed}",
        axis="share adverse",
        line=pool.figures[0].value if pool.figures else None,
        is_close=len(pool.lines) > MOST_NAMED,
    )


def _practice(line: PracticeLine, *, is_mine: bool) -> dict[str, object]:
    counts, ends = f"{line.adverse} of {line.counted}", between(line.low, line.high)
    if line.share is None:
        hidden = row(*_whose(line.label, is_mine), (None, None, None), f"hidden, {ends}", counts=counts)
        return {**hidden, "least": line.low, "most": line.high}
    numbers, said = (line.share, line.low, line.high), f"{percent(line.share)} ({ends})"
    return row(*_whose(line.label, is_mine), numbers, said, counts=counts, drawn=line.pooled_share)


def _whose(label: str, is_mine: bool) -> tuple[str, str]:
    """Name and kind of a practice's row."""
    return (f"★ {label}, yours", YOURS) if is_mine else (label, OTHER)


def _together(pool: SharePool | MeanPool, one: PooledFigure, said: str) -> dict[str, object]:
    return row(POOLED, TOGETHER, (one.value, one.low, one.high), said, counts=f"{pool.practices} practices")


def _expected(pool: SharePool | MeanPool, said: Callable[[float, float], str]) -> list[dict[str, object]]:
    low, high = pool.prediction_low, pool.prediction_high
    if low is None or high is None:
        return []
    expected = row(AHEAD, EXPECTED, (None, None, None), said(low, high), counts="expected")
    return [{**expected, "ahead_low": low, "ahead_high": high}]


def means_figure(pool: MeanPool, *, mine: str = "") -> Intervals:
    """The mean change of each practice, then the mean over practices and the prediction. No tag is in it."""
    rows = [
        row(
            *_whose(line.label, bool(mine) and line.tag == mine),
            (line.mean, line.low, line.high),
            f"{signed(line.mean, digits=2)} ({signed_range(line.low, line.high)})",
            counts=f"{line.n:,} cases",
        )
        for line in pool.lines
    ]
    listed = "; ".join(f"{str(one['name']).removeprefix('★ ')}: {one['right']}" for one in rows)
    rows += [_together(pool, one, "{} ({})".format(*mean_words(one))) for one in pool.figures[:1]]
    said = f"{pool.about}. {mean_sentence(pool)} {mean_prediction_sentence(pool)} {ORDER} {listed}."
    return Intervals(
        frame=intervals_frame([*rows, *_expected(pool, signed_range)]),
        alt=pool.refused or said,
        axis=f"mean change, {pool.unit} (right is worse)",
        unit="mean",
        is_close=len(pool.lines) > MOST_NAMED,
    )
