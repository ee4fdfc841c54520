"""Draws a case's own points: landmarks, planes and the angle, start and finish superimposed, as an SVG text.

Points and lines only, never a picture of a person. Start and finish differ in line (solid, dashed), marker (disc,
open square) and colour, so that the drawing can be read in grey and by people who do not tell colours apart.
No scripts, style sheets or fonts from elsewhere.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from html import escape
from itertools import pairwise
from textwrap import TextWrapper
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from warehouse.errors import RequestError
from warehouse.measures.catalogue import measure as measure_of
from warehouse.measures.evaluation import ReasonTexts, evaluate
from warehouse.measures.formulae import LineThrough, Midpoint, PlaneAngle, Point, VertexAngle, WeightedTotal, lines_of
from warehouse.measures.landmarks import FRONTAL, LATERAL, PROFILE
from warehouse.measures.measure import Measure

Points: TypeAlias = Mapping[str, tuple[float, float]]  # landmark -> (x, y)


@dataclass(frozen=True, slots=True)
class Registration:
    """How a view is registered."""

    origin: str  # The landmark laid on itself
    direction: tuple[str, str]  # The line laid along itself: from, to
    drawn_at: float  # Direction of that line on the page, degrees above the horizontal
    same_size: bool  # True where finish is scaled so that the line keeps its length
    words: str  # The registration in words
    chin: str  # The landmark whose movement is told


# Sella-nasion lies about 7 degrees above the true horizontal (common practice, no source).
REGISTRATIONS: Mapping[str, Registration] = {
    LATERAL: Registration("S", ("S", "N"), 7.0, False, "superimposed on S along SN", "Me"),
    PROFILE: Registration("N'", ("N'", "Sn"), -80.0, True, "superimposed on N' along N'-Sn, at one size", "Gn'"),
    FRONTAL: Registration("N'", ("ZyR", "ZyL"), 0.0, True, "superimposed on N' at one cheekbone width", "Gn'"),
}


@dataclass(frozen=True, slots=True)
class Superimposition:
    """Start and finish in one frame: x forwards, y upwards, the registration point at (0, 0)."""

    start: Points  # Points at start, or empty if they cannot be placed
    finish: Points  # Points at finish, or empty if they cannot be placed
    problems: tuple[str, ...]  # Why a time is not drawn, in words
    registration: Registration  # How they were laid

    @property
    def chin(self) -> tuple[tuple[float, float], tuple[float, float]] | None:
        """Where the chin lies at start and at finish; None where it is not known at both."""
        code = self.registration.chin
        return (self.start[code], self.finish[code]) if code in self.start and code in self.finish else None


def superimpose(start: Points, finish: Points, *, view: str, in_mm: bool = True) -> Superimposition:
    """Register two sets of points, facing right, y upwards, in true mm; either may be empty.

    Where they are not ``in_mm`` the two may differ in scale: they are brought to one length of the line of
    registration. Raises RequestError: the view is unknown.
    """
    if view not in REGISTRATIONS:
        message = f"There is no view called {view!r}."
        expected = f"one of {', '.join(REGISTRATIONS)}"
        raise RequestError(message, where="drawing", expected=expected, remedy="correct the view")
    registration = REGISTRATIONS[view]
    if not in_mm and not registration.same_size:
        words = f"{registration.words}, at one length of it since no scale is known"
        registration = replace(registration, same_size=True, words=words)
    length = _line_length(start, registration) if registration.same_size else None
    placed, problems = [], []
    for name, points in (("Start", start), ("Finish", finish)):
        problem = _problem(points, registration) if points else ""
        placed.append({} if problem or not points else _place(points, registration, length))
        problems += [f"{name} is not drawn: {problem}."] if problem else []
    return Superimposition(placed[0], placed[1], tuple(problems), registration)


def _finite(points: Points) -> dict[str, tuple[float, float]]:
    return {code: (x, y) for code, (x, y) in points.items() if math.isfinite(x) and math.isfinite(y)}


def _problem(points: Points, registration: Registration) -> str:
    known = _finite(points)
    needed = dict.fromkeys((registration.origin, *registration.direction))
    lost = [code for code in needed if code not in known]
    if lost:
        return f"{' and '.join(lost)} missing"
    if _line_length(points, registration) < 1e-6:
        return f"{' and '.join(registration.direction)} lie on one spot"
    return ""


def _line_length(points: Points, registration: Registration) -> float:
    known = _finite(points)
    a, b = (known.get(code) for code in registration.direction)
    return math.dist(a, b) if a and b else 0.0


def _place(points: Points, registration: Registration, length: float | None) -> dict[str, tuple[float, float]]:
    known = _finite(points)
    ox, oy = known[registration.origin]
    (ax, ay), (bx, by) = (known[code] for code in registration.direction)
    turn = math.radians(registration.drawn_at) - math.atan2(by - ay, bx - ax)
    size = length / _line_length(points, registration) if length else 1.0
    cos, sin = size * math.cos(turn), size * math.sin(turn)
    return {code: (cos * (x - ox) - sin * (y - oy), sin * (x - ox) + cos * (y - oy)) for code, (x, y) in known.items()}


def read_measure(entry: Measure, points: Points) -> tuple[float | None, str]:
    """Value of one measure for one set of points, or None and the reason."""
    if entry.formula is None or isinstance(entry.formula, WeightedTotal):
        return None, "not measurable: it is not made from landmarks"
    x = {code: np.array([xy[0]]) for code, xy in _finite(points).items()}
    y = {code: np.array([xy[1]]) for code, xy in _finite(points).items()}
    reasons = ReasonTexts()
    (reading,) = evaluate(x, y, [entry.formula], size=1, reasons=reasons)
    reason = reasons.texts[reading.reasons[0]]
    return (None, reason) if reason else (float(reading.values[0]), "")


def measure_told(entry: Measure, start: Points, finish: Points) -> str:
    """What the measure did from start to finish, in one sentence or two."""
    before, why_before = read_measure(entry, start)
    if not finish:
        return f"{entry.label}: {_shown(before, entry) if before is not None else why_before}."
    after, why_after = read_measure(entry, finish)
    if before is None or after is None:
        known = [
            f"{_shown(value, entry)} at {time}" if value is not None else _not_measurable_at(time, why)
            for time, value, why in (("start", before, why_before), ("finish", after, why_after))
        ]
        return f"{entry.label}: {', '.join(known)}."
    change = after - before
    if abs(change) < 0.05:
        return f"{entry.label} did not change: {_shown(after, entry)} at start and at finish."
    return (
        f"{entry.label} {'rose' if change > 0 else 'fell'} by {abs(change):.1f} from {before:.1f} at start to "
        f"{_shown(after, entry)} at finish. A rise means: {entry.up_means}."
    )


def _not_measurable_at(time: str, why: str) -> str:
    return f"not measurable at {time} ({why.removeprefix('not measurable: ')})"


def _shown(value: float, entry: Measure) -> str:
    return f"{value:.1f} {entry.unit if entry.unit != 'percent' else '%'}"


def chin_told(laid: Superimposition) -> str:
    """How the chin moved in the frame of registration; empty if it is not known at both times."""
    chin = laid.registration.chin
    if laid.chin is None:
        return ""
    dx, dy = (b - a for a, b in zip(*laid.chin, strict=True))
    if laid.registration.same_size:
        where = "did not move" if abs(dy) < 1e-9 else f"moved {'down' if dy < 0 else 'up'}"
        return f"Relative to the upper face, the chin ({chin}) {where}."
    if max(abs(dx), abs(dy)) < 0.05:
        return f"Relative to the cranial base, the chin ({chin}) did not move."
    vertical = f"{abs(dy):.1f} mm {'down' if dy < 0 else 'up'}"
    sagittal = f"{abs(dx):.1f} mm {'forwards' if dx > 0 else 'back'}"
    return f"Relative to the cranial base, the chin ({chin}) moved {vertical} and {sagittal}."


Spot: TypeAlias = tuple[float, float]

WIDTH, PLOT_HEIGHT, MARGIN = 640.0, 480.0, 44.0
INK, QUIET, PAPER = "#1b1f24", "#5b6470", "#ffffff"
_SHORTEST_ARROW = 14.0


@dataclass(frozen=True, slots=True)
class TimeStyle:
    """How one time is drawn: start solid with discs, finish dashed with open squares."""

    name: str  # `start` or `finish`
    colour: str  # At least 4.5 : 1 against the paper
    dash: str  # SVG dash pattern, empty for solid
    arc_radius: float  # Radius of its angle arcs, so that those of two times do not run into each other

    def marker(self, x: float, y: float) -> str:
        """A disc at start, an open square at finish; a cross where growth would have led."""
        if self.name == "expected":
            return f'<path d="M {x - 3:.2f} {y:.2f} h 6 m -3 -3 v 6" stroke="{self.colour}" stroke-width="1.4"/>'
        if self.name == "start":
            return f'<circle cx="{x:.2f}" cy="{y:.2f}" r="3.4" fill="{self.colour}"/>'
        return (
            f'<rect x="{x - 3.6:.2f}" y="{y - 3.6:.2f}" width="7.2" height="7.2" fill="none" '
            f'stroke="{self.colour}" stroke-width="1.8"/>'
        )

    def line(self, a: tuple[float, float], b: tuple[float, float], width: float) -> str:
        """A line in this time's colour and dash."""
        return (
            f'<line x1="{a[0]:.2f}" y1="{a[1]:.2f}" x2="{b[0]:.2f}" y2="{b[1]:.2f}" stroke="{self.colour}" '
            f'stroke-width="{width}" stroke-linecap="round"{self._dashed()}/>'
        )

    def outline(self, spots: Sequence[Spot], width: float) -> str:
        """A smooth curve through spots: at each it runs along the line between its neighbours (Catmull and Rom)."""
        path = f"M {spots[0][0]:.2f} {spots[0][1]:.2f}"
        for before, a, b, after in zip((spots[0], *spots), spots, spots[1:], (*spots[2:], spots[-1]), strict=False):
            third = math.dist(a, b) / 3.0  # no further, or the curve would turn back where points lie unevenly
            path += " C"
            for at, back, ahead, way in ((a, before, b, third), (b, a, after, -third)):
                length = math.dist(back, ahead) or 1.0
                path += "".join(f" {at[i] + way * (ahead[i] - back[i]) / length:.2f}" for i in (0, 1))
            path += f" {b[0]:.2f} {b[1]:.2f}"
        stroke = f'stroke="{self.colour}" stroke-width="{width}" stroke-linecap="round"{self._dashed()}'
        return f'<path d="{path}" fill="none" {stroke}/>'

    def arc(self, corner: Spot, first: float, second: float, *, with_ray: bool) -> Iterator[str]:
        """The arc of an angle at a corner between two directions, in radians from the horizontal, upwards positive.

        ``with_ray`` also draws the first direction from the corner, where no drawn line runs along it.
        """
        (ax, ay), (bx, by) = (_towards(corner, turn, self.arc_radius) for turn in (first, second))
        if with_ray:
            yield self.line(corner, _towards(corner, first, 1.5 * self.arc_radius), 0.9)
        sweep = 1 if math.sin(first - second) > 0 else 0
        yield (
            f'<path d="M {ax:.2f} {ay:.2f} A {self.arc_radius} {self.arc_radius} 0 0 {sweep} {bx:.2f} {by:.2f}" '
            f'fill="none" stroke="{self.colour}" stroke-width="1.6"{self._dashed()}/>'
        )

    def _dashed(self) -> str:
        return f' stroke-dasharray="{self.dash}"' if self.dash else ""


def _towards(corner: Spot, turn: float, length: float) -> Spot:
    return corner[0] + length * math.cos(turn), corner[1] - length * math.sin(turn)


START = TimeStyle("start", "#00568f", "", 46.0)
FINISH = TimeStyle("finish", "#b04a00", "7 5", 58.0)
EXPECTED = TimeStyle("expected", "#5b4a9a", "1.5 4", 70.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Growth:
    """What is known of time: ages in years, the interval in months, and where ordinary growth would have led."""

    ages: tuple[float, float] | None = None  # At start and finish
    months: float | None = None
    points: Points = field(default_factory=dict)  # In the frame of the start's points; empty where nothing is known
    reference: str = ""  # What the points rest on


@dataclass(frozen=True, slots=True)
class Page:
    """Maps points with y upwards onto a page with y downwards."""

    left: float  # Horizontal coordinate at the left margin
    top: float  # Vertical coordinate at the upper end of the picture
    size: float  # Page units for one unit of the points
    height: float  # Page position of the lower end of the picture
    above: float  # Page position of the upper end of the picture

    @classmethod
    def around(cls, points: Sequence[Spot], *, above: float) -> Page:
        """The page that shows all points as large as fits, below a head of height ``above``."""
        xs = [x for x, _ in points] or [0.0]
        ys = [y for _, y in points] or [0.0]
        wide, tall = max(xs) - min(xs) or 1.0, max(ys) - min(ys) or 1.0
        size = min((WIDTH - 2 * MARGIN) / wide, (PLOT_HEIGHT - 2 * MARGIN) / tall)
        left = min(xs) - ((WIDTH - 2 * MARGIN) / size - wide) / 2.0
        return cls(left, max(ys), size, height=above + 2 * MARGIN + tall * size, above=above + MARGIN)

    def at(self, xy: tuple[float, float]) -> tuple[float, float]:
        """Page position of a point."""
        return MARGIN + (xy[0] - self.left) * self.size, self.above + (self.top - xy[1]) * self.size


def text(
    x: float, y: float, words: str, *, size: float, weight: str = "normal", fill: str = INK, anchor: str = "start"
) -> str:
    """A line of text; ``anchor`` says which end of it lies at ``x``."""
    return (
        f'<text x="{x:.2f}" y="{y:.2f}" font-size="{size}" font-weight="{weight}" fill="{fill}" '
        f'text-anchor="{anchor}">{escape(words)}</text>'
    )


def arrow(start: Spot, end: Spot) -> Iterator[str]:
    """An arrow between two spots; nothing if they lie too near for one to be seen."""
    (ax, ay), (bx, by) = start, end
    length = math.dist(start, end)
    if length < _SHORTEST_ARROW:
        return
    ux, uy = (bx - ax) / length, (by - ay) / length
    tip_x, tip_y = bx - 6.0 * ux, by - 6.0 * uy
    wings = f"{tip_x - 7 * ux - 4 * uy:.2f},{tip_y - 7 * uy + 4 * ux:.2f}"
    wings += f" {tip_x:.2f},{tip_y:.2f} {tip_x - 7 * ux + 4 * uy:.2f},{tip_y - 7 * uy - 4 * ux:.2f}"
    yield (
        f'<g stroke="{INK}" stroke-width="1.6" fill="none"><line x1="{ax:.2f}" y1="{ay:.2f}" '
        f'x2="{tip_x:.2f}" y2="{tip_y:.2f}"/><polyline points="{wings}"/></g>'
    )


def scale_bar(page: Page) -> Iterator[str]:
    """A bar of 10 mm at the lower right; the points must be in mm."""
    y, right = page.height + 4.0, WIDTH - MARGIN
    left = right - 10.0 * page.size
    yield (
        f'<path d="M {left:.2f} {y - 4:.2f} v 8 M {left:.2f} {y:.2f} H {right:.2f} m 0 -4 v 8" '
        f'stroke="{QUIET}" stroke-width="1.2" fill="none"/>'
    )
    yield text((left + right) / 2.0, y - 8.0, "10 mm", size=11.5, fill=QUIET, anchor="middle")


Floats: TypeAlias = NDArray[np.float64]
Box: TypeAlias = tuple[float, float, float, float]

_LETTER, _HEIGHT, _MARKER, _STROKE = 7.4, 11.0, 5.0, 1.5
# (offset x, offset of the baseline, anchor), the most readable first.
_PLACES = (
    (8.0, -6.0, "start"),
    (8.0, 14.0, "start"),
    (-8.0, -6.0, "end"),
    (-8.0, 14.0, "end"),
    (9.0, 4.0, "start"),
    (-9.0, 4.0, "end"),
    (0.0, -10.0, "middle"),
    (0.0, 19.0, "middle"),
    (20.0, -14.0, "start"),
    (-20.0, -14.0, "end"),
    (20.0, 24.0, "start"),
    (-20.0, 24.0, "end"),
    (34.0, -4.0, "start"),
    (-34.0, -4.0, "end"),
    (34.0, 14.0, "start"),
    (-34.0, 14.0, "end"),
    (46.0, -22.0, "start"),
    (-46.0, -22.0, "end"),
    (0.0, 36.0, "middle"),
)
_LEADER = 18.0
"""How far a label may stand from its point without a line that leads to it."""


class LabelPlaces:
    """Hands out places on a page of drawn points (``markers``) and lines, remembering what is taken."""

    __slots__ = ("_taken",)

    def __init__(self, *, markers: Iterable[Spot], lines: Iterable[tuple[Spot, Spot]] = ()) -> None:
        boxes = [_around(spot, _MARKER) for spot in markers]
        boxes += [_around(spot, _STROKE) for line in lines for spot in _along(line)]
        self._taken = np.array(boxes, dtype=np.float64).reshape(-1, 4)

    def place(self, point: Spot, text: str) -> tuple[float, float, str]:
        """The place for a label: x, baseline y, anchor. The least crowded if none is quite free."""
        options = [(point[0] + dx, point[1] + dy, anchor) for dx, dy, anchor in _PLACES]
        boxes = np.array([_box(option, text) for option in options])
        best = int(np.argmin(_crowding(boxes, self._taken)))
        self._taken = np.vstack([self._taken, boxes[best]])
        return options[best]


def _around(spot: Spot, half: float) -> Box:
    x, y = spot
    return x - half, y - half, x + half, y + half


def _along(line: tuple[Spot, Spot]) -> list[Spot]:
    """Spots along a line, close enough together that no label slips between them."""
    (ax, ay), (bx, by) = line
    steps = max(int(math.dist(*line) / (2.0 * _STROKE)), 1)
    return [(ax + (bx - ax) * i / steps, ay + (by - ay) * i / steps) for i in range(steps + 1)]


def _box(place: tuple[float, float, str], text: str) -> Box:
    x, y, anchor = place
    wide = _LETTER * len(text)
    left = x - {"start": 0.0, "middle": 0.5, "end": 1.0}[anchor] * wide
    return left, y - _HEIGHT, left + wide, y + 2.0


def _crowding(boxes: Floats, taken: Floats) -> Floats:
    """Area of each box that is taken already, shape ``(boxes,)``; ties fall to the first."""
    wide = np.minimum(boxes[:, None, 2], taken[:, 2]) - np.maximum(boxes[:, None, 0], taken[:, 0])
    tall = np.minimum(boxes[:, None, 3], taken[:, 3]) - np.maximum(boxes[:, None, 1], taken[:, 1])
    area: Floats = (wide.clip(min=0.0) * tall.clip(min=0.0)).sum(axis=1)
    return area


_LINES = TextWrapper(width=92, break_long_words=False, break_on_hyphens=False)
_CAUTION = "A raw change: ordinary growth and tracing error are not taken off. Not a diagnosis."
_GROWN = (
    "Dotted: the start's points moved as smoothly as gives the measures what ordinary growth alone would have made of"
    " them by the age at the finish ({reference})."
)

# Lines drawn faintly in every picture of a view, where the points are there.
_FRAME: Mapping[str, tuple[LineThrough, ...]] = {
    LATERAL: lines_of("S-N Po-Or U1A-U1T L1A-L1T"),
    PROFILE: (),
    FRONTAL: lines_of("ZyR-ZyL N'-Sn Sn-Gn'"),
}
_PROFILE = "N' Prn Cm Sn Ls Stms Stmi Pog' Gn'"
# Curves through the points at hand: the profile, the upper jaw, the lower jaw.
_OUTLINES: Mapping[str, tuple[str, ...]] = {
    LATERAL: (_PROFILE, "PNS ANS A", "Ar Go Me Gn Pog B"),
    PROFILE: (_PROFILE,),
    FRONTAL: (),
}


def superimposed_svg(
    start_points: Points,
    finish_points: Points,
    *,
    view: str,
    title: str,
    measure: str | Measure | None = "sn_gogn_deg",
    in_mm: bool = True,
    element_id: str = "tracing",
    growth: Growth | None = None,
) -> str:
    """An SVG of a case's landmarks and planes with one measure brought out, finish over start.

    Points are landmark -> (x, y), facing right, y upwards, in true mm if ``in_mm`` (a scale bar is drawn then, and the
    chin's way is told in mm); those that are not finite count as missing. Where a time has no points or cannot be
    registered it is left out and the drawing says why. With ``growth``, where that would have led is drawn too.
    ``title`` must not identify a person; each drawing on one page needs an ``element_id`` of its own. Raises
    RequestError: the view is unknown; DefinitionError: the measure is unknown.
    """
    entry = measure_of(measure) if isinstance(measure, str) else measure
    laid = superimpose(start_points, finish_points, view=view, in_mm=in_mm)
    known = growth or Growth()
    grown = superimpose(known.points, {}, view=view, in_mm=in_mm).start if laid.start and known.points else {}
    finding = _finding(entry, start_points, finish_points, laid)
    page = Page.around([*laid.start.values(), *laid.finish.values(), *grown.values()], above=94.0 if grown else 74.0)
    notes = f"{_notes(laid)} {_GROWN.format(reference=known.reference)}" if grown else _notes(laid)
    captions = [*_LINES.wrap(" ".join(finding)), *laid.problems, *_LINES.wrap(notes)]
    shown = title if known.months is None else f"{title}, {known.months:.0f} months from start to finish"
    height = page.height + 30.0 + 17.0 * len(captions) + 12.0
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:.0f} {height:.0f}" role="img" '
        f'aria-labelledby="{escape(element_id)}-title {escape(element_id)}-desc" font-family="sans-serif">',
        f'<title id="{escape(element_id)}-title">{escape(shown)}</title>',
        f'<desc id="{escape(element_id)}-desc">{escape(" ".join([*finding, *laid.problems, notes]))}</desc>',
        f'<rect width="{WIDTH:.0f}" height="{height:.0f}" fill="{PAPER}"/>',
        text(MARGIN, 30.0, shown, size=17, weight="bold"),
        *_legend(entry, start_points, finish_points, laid, known, grown),
        *_picture(laid, page, entry, view, grown),
        *(scale_bar(page) if laid.start and not laid.registration.same_size else ()),
        *(text(MARGIN, page.height + 30.0 + 17.0 * i, line, size=12.5) for i, line in enumerate(captions)),
        "</svg>",
    ]
    return "\n".join(parts)


def _finding(entry: Measure | None, start: Points, finish: Points, laid: Superimposition) -> list[str]:
    said = [measure_told(entry, start, finish)] if entry is not None else []
    said.append(chin_told(laid))
    return [sentence for sentence in said if sentence]


def _notes(laid: Superimposition) -> str:
    how = laid.registration.words
    return f"{how[0].upper()}{how[1:]}. {_CAUTION}" if laid.finish else "One time only. Not a diagnosis."


def _legend(
    entry: Measure | None, start: Points, finish: Points, laid: Superimposition, known: Growth, grown: Points
) -> Iterator[str]:
    x, (at_start, at_finish) = MARGIN, (f", {age:.1f} years" for age in known.ages) if known.ages else ("", "")
    for time, points, drawn, age in ((START, start, laid.start, at_start), (FINISH, finish, laid.finish, at_finish)):
        if drawn:
            yield from _entry(time, x, 53.0, f"{time.name}{age}{_value_label(entry, points)}")
            x += 270.0
    if grown:
        yield from _entry(
            EXPECTED, MARGIN, 74.0, f"expected from ordinary growth alone{_value_label(entry, known.points)}"
        )


def _entry(time: TimeStyle, x: float, y: float, words: str) -> Iterator[str]:
    yield time.line((x, y), (x + 44.0, y), 2.2)
    yield time.marker(x + 22.0, y)
    yield text(x + 54.0, y + 4.5, words, size=13.5, fill=time.colour, weight="bold")


def _value_label(entry: Measure | None, points: Points) -> str:
    if entry is None:
        return ""
    value, _ = read_measure(entry, points)
    unit = {"degrees": "°", "percent": " %"}.get(entry.unit, f" {entry.unit}")
    return ": not measurable" if value is None else f": {value:.1f}{unit}"


def _picture(laid: Superimposition, page: Page, entry: Measure | None, view: str, grown: Points) -> Iterator[str]:
    stressed = _lines_of(entry)
    lines = tuple(dict.fromkeys((*_FRAME[view], *stressed)))
    if laid.chin is not None:
        yield from arrow(*map(page.at, laid.chin))
    for time, points in ((START, laid.start), (FINISH, laid.finish), (EXPECTED, grown)):
        if time is EXPECTED and not grown:
            continue
        yield f'<g data-time="{time.name}">'
        for outline in _OUTLINES[view]:
            spots = [page.at(points[code]) for code in outline.split() if code in points]
            if len(spots) > 1:
                yield time.outline(spots, 1.6)
        for line in lines:
            ends = _ends(line, points)
            if ends is not None:
                yield time.line(page.at(ends[0]), page.at(ends[1]), 2.8 if line in stressed else 1.1)
        yield from _angle(entry, points, page, time)
        for xy in points.values():
            yield time.marker(*page.at(xy))
        yield "</g>"
    yield from _labels(laid, page, view, lines, stressed)


def _lines_of(entry: Measure | None) -> tuple[LineThrough, ...]:
    if entry is None or entry.formula is None or isinstance(entry.formula, WeightedTotal):
        return ()
    return entry.formula.lines


def _position(point: Point, points: Points) -> Spot | None:
    if not isinstance(point, Midpoint):
        return points.get(point)
    a, b = points.get(point.first), points.get(point.second)
    return None if a is None or b is None else ((a[0] + b[0]) / 2.0, (a[1] + b[1]) / 2.0)


def _ends(line: LineThrough, points: Points) -> tuple[Spot, Spot] | None:
    a, b = _position(line.start, points), _position(line.end, points)
    return None if a is None or b is None else (a, b)


def _angle(entry: Measure | None, points: Points, page: Page, time: TimeStyle) -> Iterator[str]:
    """An arc at the start of the second line, between it and a parallel to the first."""
    if entry is None or not isinstance(entry.formula, PlaneAngle | VertexAngle):
        return
    first, second = _ends(entry.formula.first, points), _ends(entry.formula.second, points)
    if first is None or second is None or math.dist(*first) < 1e-6 or math.dist(*second) < 1e-6:
        return
    turns = [math.atan2(b[1] - a[1], b[0] - a[0]) for a, b in (first, second)]
    yield from time.arc(page.at(second[0]), turns[0], turns[1], with_ray=first[0] != second[0])


def _labels(
    laid: Superimposition, page: Page, view: str, lines: tuple[LineThrough, ...], stressed: tuple[LineThrough, ...]
) -> Iterator[str]:
    """Each landmark's code once, beside its first drawn place, clear of markers and other codes."""
    spots = {**laid.finish, **laid.start}
    drawn = [points for points in (laid.start, laid.finish) if points]
    strokes = [
        (page.at(ends[0]), page.at(ends[1]))
        for points in drawn
        for line in lines
        if (ends := _ends(line, points)) is not None
    ]
    outlines = [[one for one in outline.split() if one in points] for points in drawn for outline in _OUTLINES[view]]
    for points in drawn:
        strokes += [(page.at(points[a]), page.at(points[b])) for codes in outlines for a, b in pairwise(codes)
                    if a in points and b in points]  # fmt: skip
    if laid.chin is not None:
        strokes.append((page.at(laid.chin[0]), page.at(laid.chin[1])))
    places = LabelPlaces(markers=[page.at(xy) for points in drawn for xy in points.values()], lines=strokes)
    important = {code for line in stressed for code in line.points}
    for code in sorted(spots, key=lambda code: (code not in important, code)):
        at = page.at(spots[code])
        x, y, anchor = places.place(at, code)
        if math.dist(at, (x, y)) > _LEADER:
            end = (x, y - 4.0) if anchor != "middle" else (x, y - _HEIGHT)
            path = f"M {at[0]:.2f} {at[1]:.2f} L {end[0]:.2f} {end[1]:.2f}"
            yield f'<path d="{path}" stroke="{QUIET}" stroke-width="0.6"/>'
        weight = "bold" if code in important else "normal"
        yield text(x, y, code, size=11.5, weight=weight, fill=INK if code in important else QUIET, anchor=anchor)
