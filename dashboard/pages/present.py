"""For a room: one message a screen in large type, turned over with buttons or the arrow keys."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from dashboard.access.ask import Session, current_session
from dashboard.parts.filters import Choice, chosen
from dashboard.parts.room_messages import Message, messages, messages_of_shares, with_practices
from dashboard.parts.screen import draw, fine, plain, said, say_why_empty
from warehouse.export_safety import as_markdown
from warehouse.questions.answer import COMPARISONS, answer
from warehouse.selection import Selection

ADDRESS = "message"


def page(session: Session) -> None:
    """The page."""
    st.set_page_config(layout="wide", initial_sidebar_state="collapsed")
    if not session.viewer.sees_cases:
        told = messages_of_shares((session.protected(), *map(session.protected, COMPARISONS)))
        show(with_practices(told, session.practices().pool))
        return
    choice = chosen(session, is_shown=False)
    found = session.about_cases(answer, choice.selection, definition=choice.definition)
    if found.group.started.n == 0:
        st.title("Present")
        say_why_empty(found.relief, choice.selection)
        return
    told = messages(found)
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
    """Buttons to turn over; the arrow keys do the same."""
    with st.container(horizontal=True, vertical_alignment="center"):
        st.button("Back", on_click=_go, args=(place - 1,), disabled=place == 1, shortcut="Left")
        st.button("Next", on_click=_go, args=(place + 1,), disabled=place == last, shortcut="Right", type="primary")
        fine(f"{place} of {last}")
        st.page_link("../pages/answer.py", label="Leave the stage")


def _go(place: int) -> None:
    st.query_params[ADDRESS] = str(place)


page(current_session())
