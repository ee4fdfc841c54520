"""What every page is made of: sentences, charts with their text alternative, small tables, and what stands behind.

An empty selection explains itself: which choice to let go of, and how many cases that would bring back.
"""

import json
import pickle
import re
import tomllib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache, partial
from html import escape
from importlib.resources import files
from typing import Any

import altair
import polars as pl
import streamlit as st
from streamlit.dataframe_util import convert_anything_to_arrow_bytes
from streamlit.errors import StreamlitPageNotFoundError

from dashboard.access.ask import ANSWERS
from dashboard.access.sign_in import current_person, current_viewer
from dashboard.access.working import Making
from dashboard.charts.figure import ChartFigure
from dashboard.parts.address import PICTURES
from dashboard.theme import DARK, LIGHT, Palette
from warehouse.export_safety import as_markdown, neutralise_formulas, with_commands
from warehouse.leaving.gate import AS_SEEN, TO_ITSELF, Leave, let_out
from warehouse.plans.question import Stamped
from warehouse.questions.shares import Rates
from warehouse.selection import Selection
from warehouse.store.storage import utc_now
from warehouse.words.numbers import cases
from warehouse.words.sentences import say
from warehouse.words.shares import CAUTION, headline

_NUMBER = re.compile(r"(?<![\w.,:/-])[-−]?(?:\d{1,3}(?:,\d{3})+(?:\.\d+)?|\d+\.\d+)(?![\w:/]|[.,-]\w)")


@dataclass(frozen=True, slots=True)
class NumberMarks:
    """The mark before decimals and the one between thousands."""

    decimal: str
    thousands: str


Drawn = ChartFigure | altair.LayerChart
Cells = Sequence[Sequence[str]]
NAME_LENGTH = 70  # letters of what a picture shows by which it is named in a list

POINT = NumberMarks(".", ",")
_BY_LANGUAGE = {
    language: NumberMarks(one["decimal"], one["thousands"])
    for one in tomllib.loads(files(__package__).joinpath("number_marks.toml").read_text(encoding="utf-8"))["marks"]
    for language in one["languages"]
}


def marks_of(language: str | None) -> NumberMarks:
    """The marks of a language tag such as ``de-AT``; a point and commas where it is not known."""
    tag = (language or "").casefold()
    return _BY_LANGUAGE.get(tag) or _BY_LANGUAGE.get(tag.split("-")[0]) or POINT


def localised(text: str, marks: NumberMarks) -> str:
    """The text with its numbers in these marks."""
    return text if marks == POINT else _NUMBER.sub(lambda match: _turned(match.group(), marks), text)


def _turned(number: str, marks: NumberMarks) -> str:
    return number.replace(",", "\0").replace(".", marks.decimal).replace("\0", marks.thousands)


def localised_spec(spec: Any, marks: NumberMarks) -> Any:  # noqa: ANN401 - a tree of plain data
    """A chart as plain data with every text turned, and axes told the marks."""
    if marks == POINT:
        return spec
    turned = _walked(spec, marks)
    number = {"decimal": marks.decimal, "thousands": marks.thousands, "grouping": [3], "currency": ["", ""]}
    turned.setdefault("config", {})["locale"] = {"number": number}
    return turned


def _walked(node: Any, marks: NumberMarks) -> Any:  # noqa: ANN401
    if isinstance(node, dict):
        return {key: _walked(value, marks) if _may_turn(key, value) else value for key, value in node.items()}
    if isinstance(node, list):
        return [_walked(value, marks) for value in node]
    return localised(node, marks) if isinstance(node, str) else node


def _may_turn(key: str, value: object) -> bool:
    """Whether a value may be turned; formats, field names and expressions are written for the chart, not the reader."""
    return isinstance(value, dict | list) or key not in {"field", "format", "$schema", "type", "filter", "expr", "name"}


_COMMAND = re.compile(r"`([^`]+)`")
_STYLE = f"<style>\n{files(__package__).joinpath('screen.css').read_text(encoding='utf-8')}</style>"


def style() -> None:
    """Put the type sizes of sentences in force; colours are the theme's own."""
    st.html(_STYLE)


def palette() -> Palette:
    """The colours of the mode the reader has chosen."""
    return DARK if st.context.theme.type == "dark" else LIGHT


def local(text: str) -> str:
    """A text with its numbers in the marks of the reader's language."""
    return localised(text, marks_of(st.context.locale))


def said(sentence: str, *, large: bool = False) -> None:
    """The one sentence a page or section is about."""
    _lines("menton-said", [sentence], large=large)


def told(overall: Rates, *, is_title: bool = True) -> None:
    """The finding; in ordinary letters beside another, and of hand-picked cases, after what they are not."""
    if overall.selection.is_sample and is_title:
        said(headline(overall))
    else:
        plain("" if overall.selection.is_sample else say("caution.hand_picked"), headline(overall))


def plain(*sentences: str, large: bool = False) -> None:
    """Sentences of ordinary size, a line each."""
    _lines("menton-plain", sentences, large=large)


def fine(*sentences: str, large: bool = False) -> None:
    """Sentences of small size, a line each: what to keep in mind."""
    _lines("menton-fine", sentences, large=large)


def _lines(kind: str, sentences: Iterable[str], *, large: bool) -> None:
    listed = "".join(f'<p class="{kind}">{_with_commands(sentence)}</p>' for sentence in sentences if sentence)
    if listed:
        st.html(f'<div class="menton-large">{listed}</div>' if large else f"<div>{listed}</div>")


def _with_commands(sentence: str) -> str:
    """The sentence as marked text; what stands between backticks is a command and set as one."""
    return _COMMAND.sub(r"<code>\1</code>", escape(local(sentence)))


def printed_block(text: str) -> None:
    """What a command printed: sentences as sentences, and tables set as they were, to be scrolled where narrow."""
    for part in re.split(r"\n\s*\n", text):
        if "──" in part:
            st.html(f'<pre class="menton-printed" tabindex="0">{escape(local(part.rstrip()))}</pre>')
        else:
            plain(*part.splitlines())


def behind(*lines: tuple[str, str]) -> None:
    """What stands behind the figures of the page: name and text, at its foot."""
    listed = "".join(
        f'<p class="menton-fine"><strong>{escape(name)}</strong> {_with_commands(text)}</p>'
        for name, text in lines
        if text
    )
    st.html(f'<div class="menton-behind">{listed}</div>')
    _to_save([f"{name}: {text}" for name, text in lines if text and name != "Caution"])


def _to_save(foot: Sequence[str]) -> None:
    """Any picture drawn above as a file that says what it shows and rests on, from when it is and whom it is for."""
    drawn = st.session_state.get(PICTURES) or []
    if not drawn:
        return
    with st.expander(say("picture.save")):
        names = [f"{at}. {said[:NAME_LENGTH].rsplit(' ', 1)[0]} …" for at, (said, _) in enumerate(drawn, start=1)]
        said, picture = drawn[st.selectbox(say("picture.which"), range(len(drawn)), format_func=names.__getitem__)]
        stands = [*map(local, foot), f"{made_for()} {say('picture.saved', day=utc_now().date().isoformat())}", CAUTION]
        for ending, kind in (".png", "image/png"), (".svg", "image/svg+xml"):
            st.download_button(
                say("picture.take", kind=ending[1:].upper()),
                partial(_saved, picture, ending, said, stands, palette(), marks_of(st.context.locale)),
                file_name=f"menton-picture{ending}",
                mime=kind,
                key=f"picture{ending}",
                on_click="ignore",
            )


def _saved(picture: Drawn, ending: str, said: str, foot: Sequence[str], colours: Palette, marks: NumberMarks) -> bytes:
    from dashboard.report.figures import picture_of_page

    chart = picture.chart(colours) if isinstance(picture, ChartFigure) else picture
    spec = json.dumps(localised_spec(chart.to_dict(validate=False), marks))
    given = (spec, ending, re.split(r"[.:;] ", said)[0], said, foot, colours)
    made: bytes = ANSWERS.made(current_person(), Making(picture_of_page, given))
    return let_out(made, own_leave())


def own_leave() -> Leave:
    """By what leave this viewer takes along what he sees."""
    return TO_ITSELF if current_viewer().sees_cases else AS_SEEN


def made_for() -> str:
    """Whom a file of this viewer is for."""
    return say("report.for_the_practice" if current_viewer().sees_cases else "report.small_hidden")


def key_figures(told: Sequence[tuple[str, str, str]]) -> None:
    """Large figures beside each other: what it is, the figure, and what it rests on."""
    listed = "".join(
        f"<div><dt>{escape(what)}</dt><dd>{escape(local(figure))}</dd><dd>{escape(local(rests))}</dd></div>"
        for what, figure, rests in told
    )
    st.html(f'<dl class="menton-figures">{listed}</dl>')


def titled_link(title: str, address: str, **choices: str) -> None:
    """The title of a picture, which opens the page about it, where that is offered to the viewer."""
    try:
        st.page_link(f"../pages/{address}.py", label=as_markdown(local(title)), query_params=choices)
    except StreamlitPageNotFoundError:
        plain(title)


def side_by_side(*parts: Callable[[], None]) -> None:
    """Parts of a page in two columns where there is room for two."""
    for at in range(0, len(parts), 2):
        for place, part in zip(st.columns(2, gap="large"), parts[at : at + 2], strict=False):
            with place:
                part()


def draw(picture: Drawn, *, key: str, large: bool = False, choose: bool | Callable[[], None] = False) -> Any:  # noqa: ANN401
    """Draw a picture in the colours of the mode and over the width there is; its description is read aloud.

    With ``choose``, a choice in the chart runs the page again and is given back then; where it is a function, that is
    called before.
    """
    marks = marks_of(st.context.locale)
    if isinstance(picture, ChartFigure):
        spec = dict(_drawn(pickle.dumps(picture), palette(), marks, large=large))
    else:
        spec = _as_data(picture, marks)
    st.session_state.setdefault(PICTURES, []).append((local(spec["description"]), picture))
    how: dict[str, Any] = {"width": "stretch", "theme": None, "alt": spec.pop("description"), "key": f"chart-{key}"}
    return st.vega_lite_chart(spec, **how, on_select=("rerun" if choose is True else choose) or "ignore")


@lru_cache(maxsize=300)
def _drawn(picture: bytes, palette: Palette, marks: NumberMarks, *, large: bool) -> dict[str, Any]:
    """What is sent of a picture. Whoever is to see the same picture is sent the same, drawn once."""
    figure: ChartFigure = pickle.loads(picture)  # noqa: S301 - pickled a moment ago
    return _as_data(figure.chart(palette, large=large), marks)


def _as_data(chart: altair.LayerChart, marks: NumberMarks) -> dict[str, Any]:
    spec = localised_spec(chart.to_dict(validate=False), marks)
    spec["autosize"] = {"type": "fit-x", "contains": "padding"}  # as wide as the page, as high as the chart says
    datasets = spec.get("datasets", {})
    frames = {name: pl.DataFrame(rows, infer_schema_length=None) for name, rows in datasets.items()}
    return {**spec, "datasets": {name: convert_anything_to_arrow_bytes(frame) for name, frame in frames.items()}}


def table(listed: Sequence[Mapping[str, object]], *, alt: str, columns: Sequence[str] = ()) -> None:
    """A small table of texts, set as it is read; ``columns`` name those of a table without a row."""
    rows = [
        {as_markdown(name): as_markdown(local(str(cell))) if cell is not None else "—" for name, cell in row.items()}
        for row in listed
    ]
    st.table(rows or {as_markdown(name): [] for name in columns}, alt=local(alt), hide_index=True, border="horizontal")


def as_table(
    title: str, columns: Sequence[str], rows: Cells | Callable[[], Cells], *, file_name: str, about: Mapping[str, str]
) -> None:
    """The figures of a chart as a table, folded away, to read or to take along; ``rows`` may be asked for when opened.

    The file carries in every row its title, ``about`` (definition, cases and the like), the day, whom it is for and the
    caution. One with whole counts says that it must not leave: what may is made by "Take along".
    """
    stamp = {"title": title, **about, "saved": utc_now().date().isoformat(), "made_for": made_for(), "caution": CAUTION}
    leave = own_leave()
    folded = st.expander(as_markdown(title), key=f"fold-{file_name}", on_change="rerun" if callable(rows) else "ignore")
    with folded:
        if callable(rows) and not folded.open:
            return
        rows = rows() if callable(rows) else rows
        frame = pl.DataFrame(list(rows), schema=list(columns), orient="row")
        kept = neutralise_formulas(frame.with_columns(**{name: pl.lit(text) for name, text in stamp.items()}))
        table(frame.to_dicts(), alt=title, columns=columns)
        st.download_button(
            "Take this table along (CSV)",
            lambda: let_out(kept.write_csv(), leave),
            file_name=file_name,
            mime="text/csv",
            key=file_name,
        )


def about(result: Rates | Stamped) -> dict[str, str]:
    """What a table rests on, for its file."""
    return {
        "definition": f"{result.definition.name}: {result.definition.sentence}",
        "growth_reference": result.growth_reference,
        "cases": result.selection.sentence(),
        "build": result.build,
    }


def problem(found: str, remedy: str = "") -> None:
    """Something a person can act on, and how."""
    st.warning(with_commands(local(f"{found} {remedy}".strip())))


def say_why_empty(relief: Mapping[str, int], selection: Selection) -> None:
    """Say that no case was left, and the ways out."""
    said("No case is left under these choices.")
    plain(f"Asked for: {selection.sentence()}.")
    helps = {name: n for name, n in relief.items() if n}
    if helps:
        plain(
            *(f"Without the choice of {name.replace('_', ' ')} there would be {cases(n)}." for name, n in helps.items())
        )
    elif relief:
        plain("No single choice brings cases back: let go of several in the side panel.")
    else:
        plain("The warehouse holds no such case yet. Bring in a file, or ask for hand-picked cases as well.")


def footing(result: Rates, published_at: str, *, caution: str = "") -> None:
    """What every figure above rests on."""
    definition = result.definition
    behind(
        ("Definition", f"{definition.name}, {definition.label}. {definition.sentence} Source: {definition.source}."),
        ("Growth reference", result.growth_reference),
        ("Cases", result.selection.sentence()),
        ("Build", f"{result.build}, published {published_at.replace('T', ' ').rstrip('Z')} UTC"),
        ("Caution", caution),
    )
