"""Which cases and which definition: choices in the side panel, kept in the address so that a view can be shared."""

from __future__ import annotations

from dataclasses import dataclass

import streamlit as st

from dashboard.access.ask import Session
from dashboard.parts.screen import pick
from warehouse.cases.filter_values import FilterValues, filter_values
from warehouse.marts.reader import Reader
from warehouse.outcomes.definition import FAMILIES, Definition
from warehouse.plans.question import Question
from warehouse.selection import Selection

TAKEN = {
    "consecutive": "taken in order",
    "selected": "picked out (no sample)",
    "both": "both together (no sample)",
}
"""Selection -> how it is named on screens."""

FIRST_SHOWN = ("practice", "appliance", "age_band", "extraction", "sex")
"""Filters shown at once; the others are folded away."""


@dataclass(frozen=True, slots=True)
class Choice:
    """What the reader chose."""

    definition: str
    selection: Selection

    def question(self, *, by: str, by2: str = "", first: str = "", second: str = "") -> Question:
        """What is asked of these cases."""
        return Question(
            definition=self.definition, selection=self.selection, by=by, by2=by2, first=first, second=second
        )


def definitions(reader: Reader) -> tuple[tuple[Definition, ...], str]:
    """The definitions in force and the id of the headline one."""
    return tuple(reader.registry), reader.definition().id


def chosen(session: Session) -> Choice:
    """The choices of the side panel; what is in the address comes first."""
    with st.sidebar:
        st.header("What is counted", divider=False)
        definition = definition_chosen(session)
        taken = st.radio("Cases", list(TAKEN), format_func=TAKEN.__getitem__, key="cases", bind="query-params")
        everyone = Selection(selection="both")
        offered = [one for one in session.about_cases(filter_values, everyone) if _may_offer(session, one)]
        first = [one for one in offered if one.name in FIRST_SHOWN]
        first.sort(key=lambda one: FIRST_SHOWN.index(one.name))
        filters = {one.name: _kept(one) for one in first}
        others = [one for one in offered if one.name not in FIRST_SHOWN]
        with st.expander("More ways to narrow down", expanded=any(one.name in st.query_params for one in others)):
            filters |= {one.name: _kept(one) for one in others}
        st.caption("Nothing chosen means all. The address of this page holds your choices: send it to share the view.")
    kept = {name: values for name, values in filters.items() if values}
    return Choice(definition, Selection(selection=taken, filters=kept))


def _may_offer(session: Session, one: FilterValues) -> bool:
    return not (one.name == "practice" and session.viewer.practice)


def definition_chosen(session: Session) -> str:
    """The definition asked for; the headline one at first."""
    listed, headline = session.about_methods(definitions)
    order = list(FAMILIES)
    listed = tuple(sorted(listed, key=lambda one: (one.id != headline, order.index(one.family))))
    names = {one.id: f"{one.id} {one.label}" for one in listed}
    return pick("Definition of adverse", names, key="def")


def _kept(one: FilterValues) -> tuple[str, ...]:
    return tuple(
        st.multiselect(
            one.title,
            list(one.values),
            format_func=lambda value: one.values[value],
            key=one.name,
            bind="query-params",
            placeholder="all",
        )
    )


def practices(session: Session) -> Selection:
    """Every case of the practices chosen: for pages about records and files rather than outcomes."""
    everyone = Selection(selection="both")
    offered = next((one for one in session.about_cases(filter_values, everyone) if one.name == "practice"), None)
    if offered is None or not _may_offer(session, offered):
        return everyone
    with st.sidebar:
        st.header("What is looked at", divider=False)
        kept = _kept(offered)
    return Selection(selection="both", filters={"practice": kept} if kept else {})
