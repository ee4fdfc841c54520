"""Two selections beside each other: before and after a change of habits, two practices, two definitions."""

from functools import partial
from urllib.parse import parse_qs

import streamlit as st

from dashboard.access.ask import Session, current_session
from dashboard.charts.intervals import paired_figure, side_by_side_figure
from dashboard.parts.address import checked, held, keep, let_go
from dashboard.parts.filters import Choice, asked, chosen
from dashboard.parts.screen import draw, fine, footing, key_figures, plain, said, say_why_empty, side_by_side, told
from warehouse.questions.answer import Glance, at_a_glance
from warehouse.questions.shares import Rates, apart, in_both
from warehouse.selection import FILTERS
from warehouse.words.contrasts import two_selections_sentence
from warehouse.words.sentences import caution_text, say
from warehouse.words.shares import ASSOCIATION
from warehouse.words.shares import key_figures as figures_of

KEPT = "beside"


def page(session: Session) -> None:
    st.title("Two selections")
    right = chosen(session)
    code = held(KEPT)
    if not code:
        plain(say("two.start"))
        st.button(say("two.set"), on_click=keep, args=(KEPT, [right.code]), type="primary")
        found = glance(session, right)
        selection(found, "Chosen now")
        footing(found.overall, found.published_at, caution=ASSOCIATION)
        return
    given = parse_qs(code)
    checked(KEPT, list(given), {"def", "cases", *FILTERS})
    left = asked(session, given)
    both = [glance(session, one) for one in (left, right)]
    overall = [one.overall for one in both]
    shared = session.about_cases(
        in_both, left.selection, also=right.selection, one=left.definition, now=right.definition
    )
    said(two_selections_sentence(overall[0], overall[1], shared, apart(overall[1], overall[0])))
    draw(side_by_side_figure(dict(zip(("left", "right"), overall, strict=True))), key="two")
    st.button(say("two.anew"), on_click=let_go, args=(KEPT,))
    for place, found, name in zip(st.columns(2, gap="large"), both, ("Left", "Right"), strict=True):
        with place:
            selection(found, name)
    side_by_side(*(partial(grouping, one, other) for one, other in zip(both[0].by, both[1].by, strict=True)))
    fine(say("glance.marks"))
    footing(overall[1], both[1].published_at, caution=ASSOCIATION)


def glance(session: Session, choice: Choice) -> Glance:
    """What a selection says at a glance."""
    return session.about_cases(at_a_glance, choice.selection, definition=choice.definition)


def selection(found: Glance, name: str) -> None:
    """One side: its cases, the finding, what stands beside it, and its groups."""
    rates = found.overall
    st.header(name)
    fine(f"{rates.selection.sentence()}, by {rates.definition.name}: {rates.definition.sentence}")
    if found.group.started.n == 0:
        say_why_empty(found.relief, rates.selection)
        return
    told(rates, is_title=False)
    fine(*(caution_text(one) for one in found.group.warnings))
    if rates.selection.is_sample:
        key_figures(figures_of(found.group))


def grouping(left: Rates, right: Rates) -> None:
    """One grouping of both sides, on one axis."""
    title = left.by.title if left.by else ""
    st.header(title)
    draw(paired_figure(left, right), key=f"two-{title}")


page(current_session())
