"""Start here: what to do first, what comes next, up to the first finding."""

import streamlit as st

from dashboard.access.ask import place
from dashboard.access.sign_in import current_viewer
from dashboard.parts.jobs import JOBS, work
from dashboard.parts.screen import behind, plain, said
from warehouse.store.snapshot import POINTER
from warehouse.words.sentences import say
from warehouse.words.shares import CAUTION

NEXT = {"guide.bring": "bring_in", "guide.correct": "worklist", "guide.plan": "plans", "guide.finding": "answer"}
"""What comes next -> its page; all but the first need cases."""


def page() -> None:
    current_viewer().must_write()
    is_there = (place().folder / POINTER).exists()
    st.title("Start here")
    said(say("guide.there" if is_there else "guide.empty"))
    for number, (key, name) in enumerate(list(NEXT.items())[: None if is_there else 1], start=1):
        st.page_link(f"../pages/{name}.py", label=f"{number}. {say(key)}")
    if not is_there:
        plain(say("guide.after"))
    for name in ("template", "set_aside" if is_there else "demo"):
        st.header(JOBS["guide"][name].title)
        work("guide", name)
    behind(("Caution", CAUTION))


page()
