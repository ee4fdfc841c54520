"""What is left to do: the list, to look at and to take along, with own numbers where the practice gives its file."""

import streamlit as st

from dashboard.access.ask import Session, current_session
from dashboard.parts.filters import practices
from dashboard.parts.jobs import offered
from dashboard.parts.screen import behind, fine, plain, said, table
from warehouse.words.sentences import say
from warehouse.words.shares import NO_FILM
from warehouse.words.worklist import KINDS, worklist_counts, worklist_listed

SHOWN = 25


def page(session: Session) -> None:
    found, rows = session.about_cases(worklist_listed, practices(session))
    st.title("What is left to do")
    said(say("worklist.head", definition=found.definition.name, build=found.build))
    plain(say("worklist.no_radiograph"), *worklist_counts(found))
    if session.viewer.may_write:
        with st.expander(say("worklist.jobs")):
            offered("worklist")
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
    behind(("Definition", found.definition.sentence), ("Build", found.build), ("Caution", NO_FILM))


page(current_session())
