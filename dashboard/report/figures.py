"""The pictures of a document: figures of what is printed, for pages and, at print size, for files of their own."""

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from html import escape, unescape
from textwrap import wrap

import polars as pl
from altair import Chart

from dashboard.charts.figure import WIDTH, ChartFigure
from dashboard.charts.intervals import (
    BESIDE,
    COUNTED,
    DIFFERENCE,
    Intervals,
    drawn_shares,
    intervals_frame,
    row,
    starred,
)
from dashboard.charts.sampling import Stages, stages_frame
from dashboard.report.document import (
    Bar,
    Document,
    FlowEntry,
    Picture,
    ShownDifference,
    StageBar,
    difference_told,
    share_told,
)
from dashboard.theme import FONT, LIGHT, Palette
from warehouse.cases.case_page import CaseInFile
from warehouse.words.sentences import say

PRINT_DPI = 300
FOOT = say("audit.short")

_SIZE = re.compile(r'<svg([^>]*?) width="([\d.]+)" height="([\d.]+)" viewBox="([^"]*)"')
_LABELLED = re.compile(r' aria-labelledby="[^"]*"')
_FOOT_SIZE = 9.0
_TITLE_SIZE = 14.0
_MARGIN = 8.0
_TOP = _TITLE_SIZE + 16
_LINE = _FOOT_SIZE * 1.4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CaseDrawing(ChartFigure):
    """A drawing of points made elsewhere (``drawn``, an SVG); its frame has no row."""

    drawn: str

    def layers(self, palette: Palette, *, large: bool) -> list[Chart]:
        """None: it is no chart."""
        return []


def case_figure(case: CaseInFile) -> CaseDrawing:
    """The drawing of a case, as wide as a column and in the letters of a report."""
    head, said = case.drawing.partition("<desc")[::2]
    _, _, width, height = head.partition('viewBox="')[2].partition('"')[0].split()
    drawn = case.drawing.replace('role="img"', f'width="{width}" height="{height}"', 1).replace("sans-serif", FONT, 1)
    alt = say("case.alt", case=case.case, said=unescape(said.partition(">")[2].partition("</desc>")[0]))
    return CaseDrawing(frame=pl.DataFrame(), alt=alt, drawn=_LABELLED.sub("", drawn, count=1))


def bars_figure(bars: Sequence[Bar], said: str) -> Intervals:
    """Shares as they are printed: rounded."""
    rows = [
        row(
            bar.label,
            COUNTED,
            [_part(entry) for entry in (bar.share, bar.low, bar.high)],
            share_told(bar),
            counts=bar.counts,
            least=_part(bar.if_none),
            most=_part(bar.if_all),
        )
        for bar in bars
    ]
    return drawn_shares(intervals_frame(rows), said)


def _part(entry: FlowEntry) -> float | None:
    return None if entry.number is None else entry.number / 100


def differences_figure(rows: Sequence[ShownDifference], said: str) -> Intervals:
    """Differences as they are printed."""
    drawn = [
        row(
            starred(one.label, one.is_main),
            COUNTED if one.is_main else BESIDE,
            [one.value.number, one.low.number, one.high.number],
            difference_told(one),
        )
        for one in rows
    ]
    return Intervals(frame=intervals_frame(drawn), alt=said, axis=DIFFERENCE, unit="points")


def stages_figure(bars: Sequence[StageBar], said: str) -> Stages:
    """Stages, or reasons, as they are printed."""
    rows = [
        {"stage": bar.title, "n": bar.n.number, "lost": bar.fewer, "said": bar.n.text, "fewer": bar.fewer}
        for bar in bars
    ]
    return Stages(frame=stages_frame(rows), alt=said)


def svg(picture: Picture, *, width: float = WIDTH, font: str = FONT) -> str:
    """The picture as SVG text, with as many rows as fit on a page, ``width`` in pixels."""
    figure = picture.figure
    if isinstance(figure, CaseDrawing):
        return figure.drawn.replace(FONT, font)
    spec = json.dumps(picture.chart | {"width": width}, sort_keys=True)
    if font == FONT:
        return _svg_of(spec)
    drawn = _svg_of(spec.replace(FONT, "serif"))  # about as wide as the print font, which the converter does not have
    return drawn.replace('font-family="serif"', f'font-family="{font}"')


@lru_cache(maxsize=64)
def _svg_of(spec: str) -> str:
    """The same chart is drawn once, however many documents it goes into; without a browser and without the network."""
    import vl_convert

    drawn: str = vl_convert.vegalite_to_svg(spec)
    return drawn


def inline_svg(picture: Picture) -> str:
    """The picture as an SVG element for a page: scales to the page's width and reads its alternative aloud."""
    drawn = _SIZE.sub(r'<svg\1 viewBox="\4"', svg(picture), count=1)
    return drawn.replace("<svg", f'<svg role="img" aria-label="{escape(picture.alt, quote=True)}"', 1)


def figure_svg(picture: Picture, document: Document, *, unit: str = "pt") -> str:
    """The picture at print size with its title above and, below, what every part of the document carries."""
    stamp = document.stamp
    foot = [
        f"{stamp.definition} · growth {stamp.growth} · {stamp.made_for}",
        f"build {stamp.build} of {stamp.published} · {stamp.tool}",
        FOOT,
    ]
    return framed(svg(picture), title=picture.title, alt=picture.alt, foot=foot, unit=unit)


def framed(
    text: str, *, title: str, alt: str, foot: Sequence[str], unit: str = "pt", palette: Palette = LIGHT, above: str = ""
) -> str:
    """A picture (SVG) with its title and a sentence ``above`` it and lines at its ``foot``, all broken to its width.

    The numbers are points: the width is that of a text column on A4.
    """
    found = _SIZE.search(text)
    if found is None:  # pragma: no cover - the converter always states the size
        raise ValueError("the picture has no size")
    width, height = float(found[2]), float(found[3])
    letters = int((width - 2 * _MARGIN) / (0.57 * _FOOT_SIZE))  # a line holds so many
    said = wrap(above, letters)
    stands = [line for one in foot for line in ([one] if len(one) < 1.1 * letters else wrap(one, letters))]
    named = wrap(title, int((width - 2 * _MARGIN) / (0.68 * _TITLE_SIZE)))
    head = _TOP + 1.3 * _TITLE_SIZE * (len(named) - 1)
    top = head + len(said) * _LINE
    placed = f'<svg{found[1]} y="{top:g}" width="{width:g}" height="{height:g}" viewBox="{found[4]}"'
    total = top + height + len(stands) * _LINE + _MARGIN
    lines = [
        _text(line, begin + (place + 1) * _LINE, _FOOT_SIZE, palette.quiet)
        for begin, listed in ((head - 6, said), (top + height, stands))
        for place, line in enumerate(listed)
    ]
    lines += [
        _text(line, _TITLE_SIZE * (1.4 + 1.3 * place), _TITLE_SIZE, palette.ink, weight="bold")
        for place, line in enumerate(named)
    ]
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" font-family="{escape(FONT)}"'
        f' width="{width:g}{unit}" height="{total:g}{unit}" viewBox="0 0 {width:g} {total:g}">'
        f"<title>{escape(title)}</title><desc>{escape(alt)}</desc>"
        f'<rect width="{width:g}" height="{total:g}" fill="{palette.ground}"/>'
        f"{text[found.start() :].replace(found[0], placed, 1)}{''.join(lines)}</svg>"
    )


def picture_of_page(spec: str, ending: str, title: str, alt: str, foot: Sequence[str], palette: Palette) -> bytes:
    """A chart (Vega-Lite as JSON) as a file of its own (``.svg`` or ``.png``), with all that it rests on."""
    unit, above = "pt" if ending == ".svg" else "", alt.removeprefix(title).lstrip(".:; ")
    text = framed(_svg_of(spec), title=title, alt=alt, foot=foot, unit=unit, palette=palette, above=above)
    return text.encode() if ending == ".svg" else _png(text)


def _png(text: str) -> bytes:
    """A framed picture in dots; nothing of it lies beyond its frame, and cutting it off there takes twice as long."""
    import vl_convert

    whole = text.replace('class="marks"', 'class="marks" overflow="visible"', 1)
    return bytes(vl_convert.svg_to_png(whole, scale=1, ppi=PRINT_DPI))


def _text(words: str, y: float, size: float, colour: str, *, weight: str = "normal") -> str:
    return (
        f'<text x="{_MARGIN:g}" y="{y:g}" font-size="{size:g}" font-weight="{weight}" fill="{colour}">'
        f"{escape(words)}</text>"
    )


def figure_files(picture: Picture, document: Document) -> dict[str, bytes]:
    """The picture as SVG, PNG (300 dots an inch) and PDF: ending -> bytes."""
    import vl_convert

    text = figure_svg(picture, document, unit="")
    return {
        ".svg": figure_svg(picture, document).encode(),
        ".png": _png(text),
        ".pdf": vl_convert.svg_to_pdf(text, scale=1),
    }
