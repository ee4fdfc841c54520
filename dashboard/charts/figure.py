"""A picture before it is drawn, made once for screen, paper and slide, and what all charts are put together from."""

from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any, ClassVar

import altair as alt
import polars as pl
from altair import Chart, LayerChart

from dashboard.theme import LIGHT, Palette, dressed

WIDTH = 460  # width of a chart in pixels where the page does not give it another; about that of a text column in points


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ChartFigure(ABC):
    """What is drawn and what is said of it; its class is the kind of picture."""

    heights: ClassVar[tuple[float, float]] = (280, 340)  # In pixels: usual, and for a projector

    frame: pl.DataFrame  # One row a mark, with its numbers and the words beside it
    alt: str  # What it shows, in words, for those who do not see it

    def __eq__(self, other: object) -> bool:
        """Whether both draw and say the same; rows are compared as rows."""
        if not isinstance(other, ChartFigure) or type(self) is not type(other):
            return False
        pairs = ((getattr(self, one.name), getattr(other, one.name)) for one in fields(self))
        return all(a.equals(b) if isinstance(a, pl.DataFrame) else a == b for a, b in pairs)

    @abstractmethod
    def layers(self, palette: Palette, *, large: bool) -> list[Chart]:
        """Its marks, from the lowest to the uppermost."""

    def height(self, *, large: bool) -> float:
        """Its height in pixels."""
        return self.heights[large]

    def chart(self, palette: Palette = LIGHT, *, large: bool = False) -> LayerChart:
        """The picture in the colours of a mode; ``large`` for a projector."""
        layers = self.layers(palette, large=large)
        return finished(layers, palette, height=self.height(large=large), said=self.alt, large=large)


class Layers(alt.LayerChart):
    """Layers of which none has parameters, width or height: nothing is there for Altair to move to the top.

    To look for it, Altair copies each layer three times with all it holds, and once more whenever a chart is written.
    """

    def __init__(self, data: Any = alt.Undefined, layer: Sequence[Any] = (), **properties: Any) -> None:  # noqa: ANN401
        super(alt.LayerChart, self).__init__(data=data, layer=list(layer), **properties)


def layered(*layers: alt.Chart | alt.LayerChart, **properties: Any) -> alt.LayerChart:  # noqa: ANN401 - as Altair takes
    """The chart that ``alt.layer`` makes of charts in which nothing can be chosen, in a fraction of the time.

    Rows that all of them share move to the top, as they do there.
    """
    shared = layers[0].data if layers else alt.Undefined
    if shared is alt.Undefined or any(one.data is not shared for one in layers):
        return Layers(layer=layers, **properties)
    listed: list[Any] = [one.copy(deep=False) for one in layers]
    for one in listed:
        one.data = alt.Undefined
    return Layers(data=shared, layer=listed, **properties)


def finished(
    layers: Sequence[alt.Chart], palette: Palette, *, height: float, said: str, large: bool = False
) -> alt.LayerChart:
    """Charts over each other in the look of a mode; ``said`` is what they show, in words."""
    return dressed(layered(*layers, width=WIDTH, height=height, description=said), palette, large=large)


# Fixed places and words are given as channels, not as plain values, which Altair takes long to recognise.


def x_at(place: float | str) -> alt.XValue:
    """A horizontal place in pixels, or ``width`` for the right edge."""
    return alt.XValue(place)  # type: ignore[no-untyped-call]


def y_at(place: float) -> alt.YValue:
    """A vertical place in pixels from the top."""
    return alt.YValue(place)  # type: ignore[no-untyped-call]


def words(*lines: str) -> alt.TextValue:
    """The same words at every mark, a line each."""
    return alt.TextValue(list(lines))


def hover(**shown: str) -> list[alt.Tooltip]:
    """What is said of a mark on hovering: field -> title, and after a bar the format of its number."""
    named = ((field, *title.partition("|")[::2]) for field, title in shown.items())
    return [
        alt.Tooltip(f"{field}:Q", title=title, format=form) if form else alt.Tooltip(f"{field}:N", title=title)
        for field, title, form in named
    ]


def in_order(field: str) -> alt.Y:
    """Rows below each other as the frame has them, without an axis: their names stand above them."""
    return alt.Y(f"{field}:N", sort=None, axis=None)


def by_kind(
    field: str, kinds: Mapping[str, tuple[str, str, str]], *, legend: alt.Legend | None = None
) -> dict[str, Any]:
    """Channels that tell kinds apart by more than colour: kind -> shape, outline and filling."""
    shapes, strokes, fills = (
        alt.Scale(domain=list(kinds), range=list(looks)) for looks in zip(*kinds.values(), strict=True)
    )
    return {
        "shape": alt.Shape(f"{field}:N", scale=shapes, legend=legend),
        "stroke": alt.Stroke(f"{field}:N", scale=strokes, legend=legend),
        "fill": alt.Fill(f"{field}:N", scale=fills, legend=legend),
    }


def upright(at: float, said: str, colour: str) -> list[alt.Chart]:
    """A dashed line at a place on the horizontal axis, with its name at its upper end."""
    base = alt.Chart(pl.DataFrame({"at": [at], "said": [said]})).encode(x=alt.X("at:Q"))
    name = base.mark_text(align="left", dx=6, dy=4, baseline="top", color=colour)
    return [
        base.mark_rule(color=colour, strokeDash=[6, 3], strokeWidth=2),
        name.encode(y=y_at(0), text=alt.Text("said:N")),
    ]


def level(at: float, said: str, colour: str, *, dash: Sequence[int] = (6, 3), at_left: bool = False) -> list[alt.Chart]:
    """A dashed line at a height, with its name above one of its ends."""
    base = alt.Chart(pl.DataFrame({"at": [at], "said": [said]})).encode(y=alt.Y("at:Q", title=""))
    name = base.mark_text(align="left" if at_left else "right", dy=-8, color=colour)
    return [
        base.mark_rule(color=colour, strokeDash=list(dash), strokeWidth=2),
        name.encode(x=x_at(4 if at_left else "width"), text=alt.Text("said:N")),
    ]
