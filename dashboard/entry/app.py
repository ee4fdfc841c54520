"""The entry script: who is looking, which pages they are offered, and what is said where something is wrong."""

import logging

import streamlit as st
from altair.utils.schemapi import debug_mode

from dashboard.access.ask import TURNS, place
from dashboard.access.sign_in import current_viewer
from dashboard.access.working import one_reader
from dashboard.parts.address import opened
from dashboard.parts.navigation import chosen_page, held, pages
from dashboard.parts.screen import problem, style
from warehouse.errors import MentonError

log = logging.getLogger("menton.dashboard")


def main() -> None:
    """Show the page asked for."""
    st.set_page_config(page_title="Menton", layout="wide", initial_sidebar_state="auto")
    style()
    try:
        page = chosen_page(pages(current_viewer(), there=held(place().folder)))
        st.set_page_config(page_title=f"{page.title} · Menton")
        opened(page.title)
        with one_reader(), debug_mode(False):  # charts are held against their schema by the tests, not here
            page.run()
    except MentonError as error:
        problem(f"{error.found[0].upper()}{error.found[1:]}.", f"{error.remedy[:1].upper()}{error.remedy[1:]}.")
    except Exception:  # a fault of ours: said plainly, told in full in the log, never on the screen
        log.exception("a page failed")
        st.error("This page failed, and the fault is ours. What happened is in the log of the program.")


with TURNS.taken():
    main()
