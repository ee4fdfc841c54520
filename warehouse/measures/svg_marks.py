"""The marks a drawing of points is made of, as pieces of SVG text, and the page they are put on."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from html import escape
from typing import TypeAlias

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
        """A disc at start, an open square at finish."""
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


def wrapped(words: str, width: int = 92) -> list[str]:
    """Text broken into lines of at most ``width`` letters where words allow it."""
    lines: list[str] = []
    for word in words.split():
        if lines and len(lines[-1]) + 1 + len(word) <= width:
            lines[-1] += f" {word}"
        else:
            lines.append(word)
    return lines


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
