"""Charts as pictures for documents: SVG, PNG and PDF without a browser and without the network."""

from __future__ import annotations

import re
from functools import lru_cache
from html import escape
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import altair as alt

_SIZE = re.compile(r'<svg([^>]*?) width="[\d.]+" height="[\d.]+"')


def svg(chart: alt.LayerChart) -> str:
    """The chart as SVG text with its alternative text as title."""
    return _svg_of(chart.to_json())


@lru_cache(maxsize=64)
def _svg_of(spec: str) -> str:
    """The same chart is drawn once, however many documents it goes into."""
    import vl_convert

    drawn: str = vl_convert.vegalite_to_svg(spec)
    return drawn


def inline_svg(chart: alt.LayerChart, *, label: str) -> str:
    """The chart as an SVG element for a page: scales to the page's width and reads its label aloud."""
    drawn = _SIZE.sub(r"<svg\1", svg(chart), count=1)
    return drawn.replace("<svg", f'<svg role="img" aria-label="{escape(label, quote=True)}"', 1)


def png(chart: alt.LayerChart, *, scale: float = 2.0) -> bytes:
    """The chart as PNG; ``scale`` 2 is about 144 dots an inch at its size on screen."""
    import vl_convert

    drawn: bytes = vl_convert.vegalite_to_png(chart.to_json(), scale=scale)
    return drawn


def pdf(chart: alt.LayerChart) -> bytes:
    """The chart as a PDF page."""
    import vl_convert

    drawn: bytes = vl_convert.vegalite_to_pdf(chart.to_json())
    return drawn
