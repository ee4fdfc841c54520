"""The pictures of a document, for pages and, at print size, for files of their own."""

from __future__ import annotations

import re
from html import escape

import altair as alt
import polars as pl

from dashboard.charts.changes import changes_chart
from dashboard.charts.contrasts import differences_chart
from dashboard.charts.forest import forest_chart
from dashboard.charts.funnel import funnel_chart
from dashboard.charts.images import svg
from dashboard.charts.means import means_chart
from dashboard.charts.rates import shares_chart
from dashboard.charts.sampling import stages_chart
from dashboard.charts.threshold import threshold_chart
from dashboard.report.document import (
    MOST_DRAWN,
    Bar,
    Bars,
    Differences,
    Document,
    FlowEntry,
    Picture,
    PracticeMeans,
    PracticeShares,
    PracticeSizes,
    StageBar,
    StageBars,
    difference_told,
    share_told,
)
from dashboard.theme import FONT, LIGHT
from warehouse.questions.spread import ChangePicture
from warehouse.words.sentences import say

PRINT_DPI = 300
FOOT = say("audit.short")

_SIZE = re.compile(r'<svg([^>]*?) width="([\d.]+)" height="([\d.]+)" viewBox="([^"]*)"')
_FOOT_SIZE = 9.0
_TITLE_SIZE = 14.0
_MARGIN = 8.0
_TOP = _TITLE_SIZE + 16
_LINE = _FOOT_SIZE * 1.4


def drawn(picture: Picture, *, large: bool = False, width: int = 460) -> alt.LayerChart:
    """The picture as a chart. Shares are drawn as they are printed: rounded."""
    what = picture.drawn
    if isinstance(what, Bars):
        return shares_chart(bars_frame(what.bars[:MOST_DRAWN]), said=picture.alt, large=large, width=width)
    if isinstance(what, Differences):
        return differences_chart(differences_frame(what), said=picture.alt, large=large, width=width)
    if isinstance(what, StageBars):
        return stages_chart(stages_frame(what.bars), said=picture.alt, large=large, width=width)
    if isinstance(what, ChangePicture):
        return changes_chart(what, large=large, width=width)
    if isinstance(what, (PracticeShares, PracticeSizes, PracticeMeans)):
        return _practices(what, large=large, width=width)
    return threshold_chart(what, large=large, width=width)


def _practices(what: PracticeShares | PracticeSizes | PracticeMeans, *, large: bool, width: int) -> alt.LayerChart:
    """The pictures of the page about practices, with none of them marked."""
    if isinstance(what, PracticeShares):
        return forest_chart(what.pool, large=large, width=width)
    if isinstance(what, PracticeSizes):
        return funnel_chart(what.pool, large=large, width=width)
    return means_chart(what.pool, large=large, width=width)


def bars_frame(bars: tuple[Bar, ...]) -> pl.DataFrame:
    """One row a bar, as :func:`dashboard.charts.rates.shares_chart` wants it."""
    rows = [
        {
            "position": place,
            "group": bar.label,
            "counts": bar.counts,
            "said": share_told(bar),
            "share": _part(bar.share),
            "low": _part(bar.low),
            "high": _part(bar.high),
            "if_none": _part(bar.if_none),
            "if_all": _part(bar.if_all),
        }
        for place, bar in enumerate(bars)
    ]
    numbers = dict.fromkeys(("share", "low", "high", "if_none", "if_all"), pl.Float64)
    schema = {"position": pl.Int64, **dict.fromkeys(("group", "counts", "said"), pl.String), **numbers}
    return pl.DataFrame(rows, schema=schema)


def differences_frame(drawn: Differences) -> pl.DataFrame:
    """One row a method, as :func:`dashboard.charts.contrasts.differences_chart` wants it."""
    rows = [
        {
            "position": place,
            "name": row.label,
            "value": row.value.number,
            "low": row.low.number,
            "high": row.high.number,
            "said": difference_told(row),
            "is_main": row.is_main,
        }
        for place, row in enumerate(drawn.rows)
    ]
    numbers = dict.fromkeys(("value", "low", "high"), pl.Float64)
    schema = {"position": pl.Int64, "name": pl.String, **numbers, "said": pl.String, "is_main": pl.Boolean}
    return pl.DataFrame(rows, schema=schema)


def _part(entry: FlowEntry) -> float | None:
    return None if entry.number is None else entry.number / 100


def stages_frame(bars: tuple[StageBar, ...]) -> pl.DataFrame:
    """One row a stage, as :func:`dashboard.charts.sampling.stages_chart` wants it."""
    rows = [
        {
            "stage": bar.title,
            "n": bar.n.number,
            "lost": bar.fewer,
            "said": f"{bar.title}: {bar.n.text}",
            "fewer": bar.fewer,
        }
        for bar in bars
    ]
    texts = dict.fromkeys(("stage", "lost", "said", "fewer"), pl.String)
    return pl.DataFrame(rows, schema={**texts, "n": pl.Float64})


def figure_svg(picture: Picture, document: Document, *, unit: str = "pt") -> str:
    """The picture at print size with its title above and, below, what every part of the document carries.

    The numbers are points: the width is that of a text column on A4.
    """
    text = svg(drawn(picture))
    found = _SIZE.search(text)
    if found is None:  # pragma: no cover - the converter always states the size
        message = "the picture has no size"
        raise ValueError(message)
    width, height, foot = float(found[2]), float(found[3]), _foot(document)
    placed = f'<svg{found[1]} y="{_TOP:g}" width="{width:g}" height="{height:g}" viewBox="{found[4]}"'
    total = _TOP + height + len(foot) * _LINE + _MARGIN
    lines = [
        _text(line, _TOP + height + (place + 1) * _LINE, _FOOT_SIZE, LIGHT.quiet) for place, line in enumerate(foot)
    ]
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" font-family="{escape(FONT)}"'
        f' width="{width:g}{unit}" height="{total:g}{unit}" viewBox="0 0 {width:g} {total:g}">'
        f"<title>{escape(picture.title)}</title><desc>{escape(picture.alt)}</desc>"
        f'<rect width="{width:g}" height="{total:g}" fill="{LIGHT.ground}"/>'
        f"{_text(picture.title, _TITLE_SIZE + 6, _TITLE_SIZE, LIGHT.ink, weight='bold')}"
        f"{text[found.start() :].replace(found[0], placed, 1)}{''.join(lines)}</svg>"
    )


def _text(words: str, y: float, size: float, colour: str, *, weight: str = "normal") -> str:
    return (
        f'<text x="{_MARGIN:g}" y="{y:g}" font-size="{size:g}" font-weight="{weight}" fill="{colour}">'
        f"{escape(words)}</text>"
    )


def _foot(document: Document) -> list[str]:
    stamp = document.stamp
    return [
        f"{stamp.definition} · growth {stamp.growth} · {stamp.made_for}",
        f"build {stamp.build} of {stamp.published} · {stamp.tool}",
        FOOT,
    ]


def figure_files(picture: Picture, document: Document) -> dict[str, bytes]:
    """The picture as SVG, PNG (300 dots an inch) and PDF: ending -> bytes."""
    import vl_convert

    text = figure_svg(picture, document, unit="")
    return {
        ".svg": figure_svg(picture, document).encode(),
        ".png": vl_convert.svg_to_png(text, scale=1, ppi=PRINT_DPI),
        ".pdf": vl_convert.svg_to_pdf(text, scale=1),
    }
