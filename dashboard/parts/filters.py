"""Which cases and which definition: choices in the side panel, in the address, and as marks to take off one by one."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

import streamlit as st

from dashboard.access.ask import Session
from dashboard.parts.address import checked, in_address, let_go, pick, picks
from dashboard.parts.screen import local
from warehouse.cases.filter_values import FilterValues, filter_values
from warehouse.export_safety import as_markdown
from warehouse.marts.reader import Reader
from warehouse.outcomes.definition import FAMILIES, Definition
from warehouse.plans.question import Question
from warehouse.selection import FILTERS, WHOEVER, Selection

TAKEN = {"consecutive": "taken in order", "selected": "hand-picked (no sample)", "both": "both together (no sample)"}
"""Selection -> how it is named on screens."""

EVERYONE = Selection(selection="both", filters=WHOEVER)
FILTER_OF = {column: name for name, column in FILTERS.items()}
FIRST_SHOWN = ("practice", "appliance", "age_band", "extraction", "sex")
"""Filters shown at once; the others are folded away."""


@dataclass(frozen=True, slots=True)
class Choice:
    """What the reader chose."""

    definition: str
    selection: Selection

    @property
    def code(self) -> str:
        """The choices as an address holds them."""
        kept = {"def": self.definition, "cases": self.selection.selection, **self.selection.filters}
        return urlencode(kept, doseq=True)

    def question(self, **asked: Any) -> Question:  # noqa: ANN401 - the fields of a Question
        """What is asked of these cases: groupings, groups and whatever else of a question is given."""
        return Question(definition=self.definition, selection=self.selection, **asked)


def definitions(reader: Reader) -> tuple[tuple[Definition, ...], str]:
    """The definitions in force and the id of the headline one."""
    return tuple(reader.registry), reader.definition().id


def chosen(session: Session, *, is_shown: bool = True) -> Choice:
    """The choices of the side panel; what is in the address comes first. Those made stand above the page as well.

    ``is_shown`` False, for a stage: the address alone says, and nothing is drawn.
    """
    if not is_shown:
        return asked(session, in_address())
    with st.sidebar:
        st.header("What is counted", divider=False)
        definition = definition_chosen(session)
        taken = pick("Cases", TAKEN, key="cases", is_short=True)
        there = session.about_cases(filter_values, EVERYONE)
        _refuse_unknown(there, in_address())
        offered = {one.name: one for one in there if len(one.values) > 1 and _may_offer(session, one)}
        first = [offered[name] for name in FIRST_SHOWN if name in offered]
        filters = {one.name: picks(one.title, one.values, key=one.name) for one in first}
        others = [one for one in offered.values() if one.name not in FIRST_SHOWN]
        with st.expander("More ways to narrow down", expanded=any(one.name in st.query_params for one in others)):
            filters |= {one.name: picks(one.title, one.values, key=one.name) for one in others}
        st.caption("Nothing chosen means all. The address of this page holds your choices: send it to share the view.")
    kept = {name: values for name, values in filters.items() if values}
    _marks({"cases": TAKEN[taken]} if taken != "consecutive" else {}, kept, offered)
    return Choice(definition, Selection(selection=taken, filters=kept))


def asked(session: Session, given: Mapping[str, Sequence[str]]) -> Choice:
    """What is asked for by codes, as they stand in an address."""
    there = session.about_cases(filter_values, EVERYONE)
    _refuse_unknown(there, given)
    listed, headline = session.about_methods(definitions)
    definition = (*checked("def", given.get("def", ())[:1], {one.id for one in listed}), headline)[0]
    taken = (*checked("cases", given.get("cases", ())[:1], TAKEN), "consecutive")[0]
    kept = {one.name: tuple(given[one.name]) for one in there if one.name in given}
    return Choice(definition, Selection(selection=taken, filters=kept))


def _refuse_unknown(there: Sequence[FilterValues], given: Mapping[str, Sequence[str]]) -> None:
    """Refuse values asked for that no case has: to let them go would show more cases than were asked for."""
    for one in there:
        checked(one.name, given.get(one.name, ()), one.values)


def _marks(others: Mapping[str, str], kept: Mapping[str, tuple[str, ...]], offered: Mapping[str, FilterValues]) -> None:
    """The choices in force, each with a way to take it off, and one to take all off."""
    named = dict(others)
    for name, values in kept.items():
        known = offered[name].values
        few = ", ".join(known[value] for value in values[:3])
        named[name] = f"{offered[name].title}: {few}{' …' if len(values) > 3 else ''}"
    if not named:
        return
    with st.container(horizontal=True, key="marks"):
        for name, said in named.items():
            st.button(
                f"{as_markdown(local(said))} ✕",
                key=f"off-{name}",
                help="Take this choice off",
                on_click=let_go,
                args=(name,),
            )
        if len(named) > 1:
            st.button("Take all off", key="all-off", type="tertiary", on_click=let_go, args=tuple(named))


def definition_chosen(session: Session) -> str:
    """The definition asked for; the headline one at first."""
    listed, headline = session.about_methods(definitions)
    order = list(FAMILIES)
    listed = tuple(sorted(listed, key=lambda one: (one.id != headline, order.index(one.family))))
    names = {one.id: f"{one.id} {one.label}" for one in listed}
    return pick("Definition of adverse", names, key="def")


def _may_offer(session: Session, one: FilterValues) -> bool:
    return not (one.name == "practice" and session.viewer.practice)


def practices(session: Session) -> Selection:
    """Every case of the practices chosen: for pages about records and files rather than outcomes."""
    there = session.about_cases(filter_values, EVERYONE)
    _refuse_unknown(there, in_address())
    offered = next(one for one in there if one.name == "practice")
    if len(offered.values) < 2 or not _may_offer(session, offered):
        return EVERYONE
    with st.sidebar:
        st.header("What is looked at", divider=False)
        kept = picks(offered.title, offered.values, key=offered.name)
    _marks({}, {"practice": kept} if kept else {}, {"practice": offered})
    return Selection(selection="both", filters={**WHOEVER, "practice": kept} if kept else WHOEVER)
