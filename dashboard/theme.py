"""Colours, shapes and type sizes of every chart, in one place. Colour is never the only signal."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, cast

if TYPE_CHECKING:
    import altair as alt


@dataclass(frozen=True, slots=True)
class Palette:
    """Colours of one mode. Text and marks reach a contrast of 4.5 to 1 against the ground."""

    ground: str
    ink: str
    quiet: str
    line: str
    main: str
    adverse: str
    second: str
    band: str


LIGHT = Palette(
    ground="#ffffff",
    ink="#1d2733",
    quiet="#56616e",
    line="#c9d0d8",
    main="#0b5f73",
    adverse="#9a3d0a",
    second="#5b4a9a",
    band="#dbe7ea",
)
DARK = Palette(
    ground="#11171e",
    ink="#eef2f5",
    quiet="#a9b4bf",
    line="#3a4653",
    main="#6fc3d6",
    adverse="#f2a070",
    second="#b9abf0",
    band="#22333b",
)
FONT = "system-ui, -apple-system, 'Segoe UI', 'DejaVu Sans', sans-serif"


def config(palette: Palette, *, large: bool = False) -> dict[str, Any]:
    """The Vega-Lite configuration of a mode; ``large`` for a projector."""
    size = 24 if large else 13
    axis = {
        "labelColor": palette.ink,
        "titleColor": palette.quiet,
        "gridColor": palette.line,
        "gridOpacity": 0.6,
        "domainColor": palette.line,
        "tickColor": palette.line,
        "labelFontSize": size,
        "titleFontSize": size,
        "titleFontWeight": "normal",
        "labelLimit": 360,
    }
    return {
        "background": palette.ground,
        "font": FONT,
        "view": {"stroke": None},
        "axis": axis,
        "axisX": {"tickCount": {"expr": "max(3, min(9, ceil(width / 60)))"}},
        "legend": {
            "labelColor": palette.ink,
            "titleColor": palette.quiet,
            "labelFontSize": size,
            "titleFontSize": size,
            "labelLimit": 300,
        },
        "title": {
            "color": palette.ink,
            "subtitleColor": palette.quiet,
            "fontSize": size + 3,
            "subtitleFontSize": size,
            "anchor": "start",
            "fontWeight": "bold",
        },
        "text": {"color": palette.ink, "fontSize": size},
    }


def dressed(chart: alt.LayerChart | alt.FacetChart, palette: Palette, *, large: bool = False) -> alt.LayerChart:
    """The chart in the colours and type sizes of a mode.

    The chart itself is given them: ``configure`` would copy every layer with its rows, which takes longer than making
    the chart did.
    """
    chart.config = config(palette, large=large)
    return cast("alt.LayerChart", chart)  # layers of which none is split up make a layered chart


def contrast(first: str, second: str) -> float:
    """Contrast ratio of two colours by WCAG 2.2 (success criterion 1.4.3), from 1 to 21."""
    lighter, darker = sorted((_luminance(first), _luminance(second)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def text_on(colour: str) -> str:
    """Black or white, whichever reads better on a colour; one of them always reaches 4.5 to 1."""
    return "#000000" if contrast(colour, "#000000") >= contrast(colour, "#ffffff") else "#ffffff"


def mixed(low: str, high: str, share: float) -> str:
    """The colour a share of the way from one colour to another, channel by channel."""
    pairs = [(int(low[at : at + 2], 16), int(high[at : at + 2], 16)) for at in (1, 3, 5)]
    return "#" + "".join(f"{round(one + (other - one) * share):02x}" for one, other in pairs)


def turning_point(low: str, high: str) -> float:
    """The share of the way between two colours at which text must change between black and white; 1 if nowhere."""
    start = text_on(low)
    return next((step / 200 for step in range(201) if text_on(mixed(low, high, step / 200)) != start), 1.0)


def _luminance(colour: str) -> float:
    channels = [int(colour[start : start + 2], 16) / 255 for start in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
