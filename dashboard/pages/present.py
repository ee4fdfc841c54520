"""For a room: one message a screen in large type, turned over by keys, a clicker, or a finger."""

from collections.abc import Sequence
from importlib.resources import files
from typing import Any

import streamlit as st

from dashboard.access.ask import Session, current_session
from dashboard.parts.filters import Choice, chosen
from dashboard.parts.room_messages import Message, messages, messages_of_shares, with_practices
from dashboard.parts.screen import draw, fine, plain, said, say_why_empty
from warehouse.export_safety import as_markdown
from warehouse.questions.answer import COMPARISONS, at_a_glance, firmness
from warehouse.selection import Selection

ADDRESS = "message"
_STAGE = files("dashboard.parts").joinpath("stage.html").read_text(encoding="utf-8")
"""The button for the whole screen and the swipe of a finger: words of this program alone, none of the data's."""


def page(session: Session) -> None:
    st.set_page_config(layout="wide", initial_sidebar_state="collapsed")
    if not session.viewer.sees_cases:
        told = messages_of_shares((session.protected(), *map(session.protected, COMPARISONS)))
        show(with_practices(told, session.practices().pool))
        return
    choice = chosen(session, is_shown=False)
    found = session.about_cases(at_a_glance, choice.selection, definition=choice.definition)
    if found.group.started.n == 0:
        st.title("Present")
        say_why_empty(found.relief, choice.selection)
        return
    told = messages(found, session.about_cases(firmness, choice.selection, definition=choice.definition))
    compared = session.practices()
    if choice == Choice(compared.rates.definition.id, Selection()):  # practices are counted so and in no other way
        told = with_practices(told, compared.pool)
    show(told)


def show(told: Sequence[Message]) -> None:
    """The message in turn; its number is in the address."""
    place = min(max(_asked_for(), 1), len(told))
    message = told[place - 1]
    with st.container(key="present"):
        st.title(as_markdown(message.title))
        said(message.sentence, large=True)
        plain(*message.beside, large=True)
        if message.figure is not None:
            draw(message.figure, key="message", large=True)
        fine(*message.small, large=True)
        turn(place, len(told))


def _asked_for() -> int:
    given = st.query_params.get(ADDRESS, "1")
    return int(given) if given.isdecimal() else 1


def turn(place: int, last: int) -> None:
    """Buttons to turn over by the arrow keys, and along both edges by the keys of a clicker or a finger."""
    with st.container(key="turn", horizontal=True, vertical_alignment="center"):
        for word, step, key, clicker in (("Back", -1, "Left", "PageUp"), ("Next", 1, "Right", "PageDown")):
            ends: Any = {"on_click": _go, "args": (place + step,), "disabled": not 1 <= place + step <= last}
            st.button(word, shortcut=key, type="primary" if step > 0 else "secondary", **ends)
            st.button(f"{word}, at the edge", key=f"edge-{word.lower()}", shortcut=clicker, **ends)
        fine(f"{place} of {last}")
        st.html(_STAGE, unsafe_allow_javascript=True)
        st.page_link("../pages/answer.py", label="Leave the stage")


def _go(place: int) -> None:
    st.query_params[ADDRESS] = str(place)


page(current_session())
