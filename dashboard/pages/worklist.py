"""What is left to do: the list, to look at and to take along, with own numbers where the practice gives its file."""

from __future__ import annotations

import streamlit as st

from dashboard.access.ask import Session, current_session, place
from dashboard.parts.filters import practices
from dashboard.parts.screen import behind, fine, plain, said, table
from dashboard.parts.upload import UploadedFile, with_own_numbers
from warehouse.words.sentences import say
from warehouse.words.shares import NO_FILM
from warehouse.words.worklist import KINDS, worklist_counts, worklist_listed

SHOWN = 25


def page(session: Session) -> None:
    """The page."""
    found, rows = session.about_cases(worklist_listed, practices(session))
    st.title("What is left to do")
    said(say("worklist.head", definition=found.definition.name, build=found.build))
    plain(say("worklist.no_radiograph"), *worklist_counts(found))
    for what, do in KINDS.values():
        mine = [row for row in rows if row["what"] == say(what)]
        if not mine:
            continue
        st.header(say(what))
        plain(say(do))
        kept = [name for name in ("practice", "case", "record", "why", "file", "row") if any(row[name] for row in mine)]
        table([{name: row[name] for name in kept} for row in mine[:SHOWN]], alt=say(what), columns=kept)
        if len(mine) > SHOWN:
            fine(say("worklist.more_on_page", n=len(mine) - SHOWN))
    if session.viewer.may_write:
        take_along(session)
    behind(("Definition", found.definition.sentence), ("Build", found.build), ("Caution", NO_FILM))


def take_along(session: Session) -> None:
    """The list and the rows turned away as workbooks, made with the practice's own file."""
    st.header("With your own numbers")
    fine(say("worklist.own_numbers"))
    practice = st.selectbox("Whose file it is", list(session.known_practices()))
    own = st.file_uploader("Your own file", type=["csv", "tsv", "txt", "xlsx", "parquet", "json"])
    mapping = st.file_uploader("Its mapping file, if it needed one (TOML)", type=["toml"])
    if own is None or not practice or not st.button("Make the workbooks"):
        return
    stated = mapping.getvalue().decode("utf-8", errors="replace") if mapping else None
    for told, name, content in with_own_numbers(UploadedFile(own.name, own.getvalue()), stated, practice, place()):
        if content:
            st.download_button(f"Take along {name}", content, file_name=name)
        else:
            st.warning(told.said or told.printed)


page(current_session())
