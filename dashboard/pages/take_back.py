"""Take back: a person, a load, a second number of one person, the name of a practice."""

from collections.abc import Sequence

import streamlit as st

from dashboard.access.ask import current_session, place
from dashboard.access.sign_in import current_viewer
from dashboard.parts.screen import behind, fine, plain, said
from dashboard.parts.upload import Told, take_back
from warehouse.errors import CONFIRMED
from warehouse.words.sentences import say

FORGET, UNDO, JOIN, RENAME = (
    "Forget a person",
    "Take a load back",
    "Join two numbers of one person",
    "Rename a practice",
)

WAYS = ("back.way_forget", "back.way_undo", "back.way_join", "back.way_rename")


def page() -> None:
    current_viewer().must_write("take back")
    st.title("Take back")
    said(say("back.page"))
    way = st.radio("What is to be done", [FORGET, UNDO, JOIN, RENAME], captions=list(map(say, WAYS)))
    words, numbers = asked(way)
    if not words:
        fine(say("back.page_open"))
    elif st.button("Say what would change"):
        st.session_state["taking back"] = (words, numbers, take_back(words, place(), numbers=numbers))
    known = st.session_state.get("taking back")
    if known and words and known[:2] == (words, numbers):
        answer(known[2], words, numbers)
    behind()


def asked(way: str) -> tuple[list[str], list[str]]:
    """The command without its confirmation, and the numbers that go with it; no words while something is left open."""
    if way == UNDO:
        load = st.number_input("Number of the load", min_value=0, value=0, help="the page How complete? lists them")
        return (["undo", str(load)] if load else []), []
    practices = list(current_session().known_practices())
    practice = st.selectbox("Practice", practices)
    if way == RENAME:
        new = st.text_input("New pseudonym", help="2 to 16 capital letters and digits, such as HARBOUR").strip()
        return (["rename-practice", practice, new] if practice and new else []), []
    labels = ["The practice's own number of the case"]
    labels += ["Its second number"] if way == JOIN else []
    numbers = [st.text_input(label).strip() for label in labels]
    if not practice or not all(numbers):
        return [], []
    return (["forget", "-"] if way == FORGET else ["join", "-", "-"]) + ["--practice", practice], numbers


def answer(told: Told, words: Sequence[str], numbers: Sequence[str]) -> None:
    """What would change, with the button that does it; or why it cannot be done."""
    if told.printed:
        plain(*told.printed.splitlines())
    if not told.asks:
        st.warning("Nothing was changed.")
        st.text(told.said)
        return
    if not st.button("Do it", type="primary"):
        return
    with st.spinner("Writing the warehouse anew …"):
        done = take_back([*words, CONFIRMED], place(), numbers=numbers)
    del st.session_state["taking back"]
    if done.is_well:
        st.success(done.printed.splitlines()[-1])
    else:
        st.warning("Nothing was changed.")
        st.text(done.said)


page()
