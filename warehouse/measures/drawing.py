"""Draws a case's own points: landmarks, planes and the angle, start and finish superimposed, as an SVG text.

Points and lines only, never a picture of a person. Start and finish differ in line (solid, dashed), marker (disc,
open square) and colour, so that the drawing can be read in grey and by people who do not tell colours apart.
No scripts, style sheets or fonts from elsewhere.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from html import escape

from warehouse.measures.catalogue import measure as measure_of
from warehouse.measures.formulae import LineThrough, Midpoint, PlaneAngle, Point, VertexAngle, WeightedTotal
from warehouse.measures.label_places import LabelPlaces
from warehouse.measures.landmarks import FRONTAL, LATERAL, PROFILE
from warehouse.measures.measure import Measure
from warehouse.measures.superimposition import (
    Points,
    Superimposition,
    chin_told,
    measure_told,
    read_measure,
    superimpose,
)
from warehouse.measures.svg_marks import (
    FINISH,
    INK,
    MARGIN,
    PAPER,
    QUIET,
    START,
    WIDTH,
    Page,
    Spot,
    TimeStyle,
    arrow,
    scale_bar,
    text,
    wrapped,
)

_CAUTION = "A raw change: ordinary growth and tracing error are not taken off. Not a diagnosis."

# Lines drawn faintly in every picture of a view, where the points are there.
_FRAME: Mapping[str, tuple[LineThrough, ...]] = {
    LATERAL: (
        LineThrough("S", "N"),
        LineThrough("Po", "Or"),
        LineThrough("PNS", "ANS"),
        LineThrough("Ar", "Go"),
        LineThrough("Go", "Me"),
        LineThrough("Me", "Gn"),
        LineThrough("Gn", "Pog"),
        LineThrough("Pog", "B"),
        LineThrough("ANS", "A"),
        LineThrough("U1A", "U1T"),
        LineThrough("L1A", "L1T"),
    ),
    PROFILE: (
        LineThrough("N'", "Prn"),
        LineThrough("Prn", "Cm"),
        LineThrough("Cm", "Sn"),
        LineThrough("Sn", "Ls"),
        LineThrough("Ls", "Stms"),
        LineThrough("Pog'", "Gn'"),
    ),
    FRONTAL: (LineThrough("ZyR", "ZyL"), LineThrough("N'", "Sn"), LineThrough("Sn", "Gn'")),
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
) -> str:
    """An SVG of a case's landmarks and planes with one measure brought out, finish over start.

    Points are landmark -> (x, y), facing right, y upwards, in true mm if ``in_mm`` (a scale bar is drawn then, and the
    chin's way is told in mm); those that are not finite count as missing. Where a time has no points or cannot be
    registered it is left out and the drawing says why. ``title`` must not identify a person; each drawing on one page
    needs an ``element_id`` of its own.

    Raises:
        RequestError: The view is unknown.
        DefinitionError: The measure is unknown.
    """
    entry = measure_of(measure) if isinstance(measure, str) else measure
    laid = superimpose(start_points, finish_points, view=view, in_mm=in_mm)
    finding = _finding(entry, start_points, finish_points, laid)
    body_top = 74.0
    page = Page.around([*laid.start.values(), *laid.finish.values()], above=body_top)
    captions = [*wrapped(" ".join(finding)), *laid.problems, *wrapped(_notes(laid))]
    height = page.height + 30.0 + 17.0 * len(captions) + 12.0
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:.0f} {height:.0f}" role="img" '
        f'aria-labelledby="{escape(element_id)}-title {escape(element_id)}-desc" font-family="sans-serif">',
        f'<title id="{escape(element_id)}-title">{escape(title)}</title>',
        f'<desc id="{escape(element_id)}-desc">{escape(" ".join([*finding, *laid.problems, _notes(laid)]))}</desc>',
        f'<rect width="{WIDTH:.0f}" height="{height:.0f}" fill="{PAPER}"/>',
        text(MARGIN, 30.0, title, size=17, weight="bold"),
        *_legend(entry, start_points, finish_points, laid),
        *_picture(laid, page, entry, view),
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


def _legend(entry: Measure | None, start: Points, finish: Points, laid: Superimposition) -> Iterator[str]:
    x = MARGIN
    for time, points, drawn in ((START, start, laid.start), (FINISH, finish, laid.finish)):
        if not drawn:
            continue
        yield time.line((x, 53.0), (x + 44.0, 53.0), 2.2)
        yield time.marker(x + 22.0, 53.0)
        words = f"{time.name}{_value_label(entry, points)}"
        yield text(x + 54.0, 57.5, words, size=13.5, fill=time.colour, weight="bold")
        x += 270.0


def _value_label(entry: Measure | None, points: Points) -> str:
    if entry is None:
        return ""
    value, _ = read_measure(entry, points)
    unit = {"degrees": "°", "percent": " %"}.get(entry.unit, f" {entry.unit}")
    return ": not measurable" if value is None else f": {value:.1f}{unit}"


def _picture(laid: Superimposition, page: Page, entry: Measure | None, view: str) -> Iterator[str]:
    stressed = _lines_of(entry)
    lines = tuple(dict.fromkeys((*_FRAME[view], *stressed)))
    if laid.chin is not None:
        yield from arrow(*map(page.at, laid.chin))
    for time, points in ((START, laid.start), (FINISH, laid.finish)):
        yield f'<g data-time="{time.name}">'
        for line in lines:
            ends = _ends(line, points)
            if ends is not None:
                yield time.line(page.at(ends[0]), page.at(ends[1]), 2.8 if line in stressed else 1.1)
        yield from _angle(entry, points, page, time)
        for xy in points.values():
            yield time.marker(*page.at(xy))
        yield "</g>"
    yield from _labels(laid, page, lines, stressed)


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
    laid: Superimposition, page: Page, lines: tuple[LineThrough, ...], stressed: tuple[LineThrough, ...]
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
    if laid.chin is not None:
        strokes.append((page.at(laid.chin[0]), page.at(laid.chin[1])))
    places = LabelPlaces(markers=[page.at(xy) for points in drawn for xy in points.values()], lines=strokes)
    important = {code for line in stressed for code in line.points}
    for code in sorted(spots, key=lambda code: (code not in important, code)):
        x, y, anchor = places.place(page.at(spots[code]), code)
        weight = "bold" if code in important else "normal"
        yield text(x, y, code, size=11.5, weight=weight, fill=INK if code in important else QUIET, anchor=anchor)
