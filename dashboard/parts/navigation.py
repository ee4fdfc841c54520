"""The pages: where each lies, what it is called, and who is offered it. To add a page, add one line here."""

from collections.abc import Callable, Collection
from dataclasses import dataclass
from html import escape
from pathlib import Path

import streamlit as st
from streamlit.navigation.page import StreamlitPage

from dashboard.access.sign_in import offer_to_log_out
from dashboard.access.viewer import Viewer
from warehouse.pooled.kept_results import has_results
from warehouse.store.snapshot import POINTER

PAGES = Path(__file__).parents[1] / "pages"
START = "start"  # what the address of the first page is kept under; it opens without one, and under its own as well

CASES = "cases"
RESULTS = "results of a study group"


def everyone(_: Viewer) -> bool:
    """Every viewer."""
    return True


def who_sees_cases(viewer: Viewer) -> bool:
    """Viewers who may see single cases."""
    return viewer.sees_cases


def who_may_write(viewer: Viewer) -> bool:
    """Viewers who may bring in files."""
    return viewer.may_write


@dataclass(frozen=True, slots=True, kw_only=True)
class PageEntry:
    """One page: its file, its title and address, who is offered it, and what must be there for it (one is enough)."""

    file: str
    title: str
    address: str
    offered_to: Callable[[Viewer], bool] = everyone
    needs: tuple[str, ...] = (CASES,)


MAP: dict[str, tuple[PageEntry, ...]] = {
    "The audit": (
        PageEntry(file="answer.py", title="What happened", address="answer"),
        PageEntry(file="behind.py", title="What is behind it", address="behind", offered_to=who_sees_cases),
        PageEntry(file="comparisons.py", title="Do groups differ?", address="comparisons"),
        PageEntry(file="two.py", title="Two selections", address="two", offered_to=who_sees_cases),
        PageEntry(file="cases.py", title="Case by case", address="cases", offered_to=who_sees_cases),
        PageEntry(file="practices.py", title="How practices compare", address="practices", needs=(CASES, RESULTS)),
        PageEntry(file="drift.py", title="Is it drifting?", address="drift", offered_to=who_sees_cases),
        PageEntry(file="present.py", title="Present", address="present"),
    ),
    "Can it be trusted?": (
        PageEntry(file="worklist.py", title="What is left to do", address="worklist", offered_to=who_sees_cases),
        PageEntry(file="readings.py", title="How exact?", address="readings", offered_to=who_sees_cases),
        PageEntry(file="data.py", title="How complete?", address="data", offered_to=who_sees_cases),
        PageEntry(file="methods.py", title="How it is counted", address="methods"),
    ),
    "Files": (
        PageEntry(file="guide.py", title="Start here", address="guide", offered_to=who_may_write, needs=()),
        PageEntry(file="take_along.py", title="Take along", address="take_along"),
        PageEntry(file="bring_in.py", title="Bring in a file", address="bring_in", offered_to=who_may_write, needs=()),
        PageEntry(file="take_back.py", title="Take back", address="take_back", offered_to=who_may_write),
        PageEntry(file="plans.py", title="Plans and definitions", address="plans", offered_to=who_may_write),
        PageEntry(file="group.py", title="Study group", address="group", offered_to=who_may_write, needs=()),
        PageEntry(file="upkeep.py", title="Keep it safe", address="upkeep", offered_to=who_may_write, needs=()),
    ),
}
"""Heading -> pages below it. The first page is the one that opens."""


def held(folder: Path) -> frozenset[str]:
    """What a warehouse folder has to show."""
    found = {CASES: (folder / POINTER).exists(), RESULTS: has_results(folder)}
    return frozenset(name for name, is_there in found.items() if is_there)


def pages(viewer: Viewer, *, there: Collection[str] = (CASES,)) -> dict[str, list[StreamlitPage]]:
    """The pages a viewer is offered, under their headings; of an empty warehouse, the one that fills it.

    Where nothing is left of them, all are offered: they say what is missing.
    """
    offered = {heading: [one for one in entries if one.offered_to(viewer)] for heading, entries in MAP.items()}
    usable = {
        heading: [one for one in entries if not one.needs or set(one.needs) & set(there)]
        for heading, entries in offered.items()
    }
    offered = usable if any(usable.values()) else offered
    first = next(entries for entries in offered.values() if entries)[0]
    return {
        heading: [
            st.Page(PAGES / one.file, title=one.title, url_path=address(one, first), default=one is first)
            for one in entries
        ]
        for heading, entries in offered.items()
        if entries
    }


def address(one: PageEntry, first: PageEntry) -> str:
    """The address of a page; the first opens without one."""
    return START if one is first else one.address


def chosen_page(offered: dict[str, list[StreamlitPage]]) -> StreamlitPage:
    """The page asked for; links to the others, under headings that a screen reader can follow, top the side panel."""
    listed = [one for entries in offered.values() for one in entries]
    first = next(iter(MAP.values()))[0]
    if listed[0].title == first.title:  # the page that opens has an address of its own too
        listed.append(st.Page(PAGES / first.file, title=first.title, url_path=first.address))
    page = st.navigation(listed, position="hidden")
    with st.sidebar:
        for heading, listed in offered.items():
            st.html(f'<h2 class="menton-heading">{escape(heading)}</h2>')
            for one in listed:
                st.page_link(one)
        offer_to_log_out()
    return page
