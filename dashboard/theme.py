"""Colours, shapes and type sizes of every chart, in one place. Colour is never the only signal."""

from __future__ import annotations

import tomllib
from dataclasses import asdict, dataclass
from pathlib import Path
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


_SHIPPED = tomllib.loads(Path(__file__).with_name("theme.toml").read_text(encoding="utf-8"))
LIGHT, DARK = Palette(**_SHIPPED["light"]), Palette(**_SHIPPED["dark"])
FONT = "system-ui, -apple-system, 'Segoe UI', 'DejaVu Sans', sans-serif"


def config(palette: Palette, *, large: bool = False) -> dict[str, Any]:
    """The Vega-Lite configuration of a mode; ``large`` for a projector."""
    size = 24 if large else 13
    values = {**asdict(palette), "font": FONT, "size": size, "title_size": size + 3}

    def filled(part: Any) -> Any:  # noqa: ANN401 - whatever a configuration holds
        if isinstance(part, dict):
            return {name: filled(one) for name, one in part.items()}
        return values[part[1:]] if isinstance(part, str) and part.startswith("$") else part

    return {**filled(_SHIPPED["config"]), "view": {"stroke": None}}


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
