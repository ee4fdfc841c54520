"""The answer: the share of cases that went adverse, where the number comes from, and how firm it is."""

from __future__ import annotations

import streamlit as st

from dashboard.access.ask import Session, current_session
from dashboard.charts.intervals import shares_figure, side_by_side_figure
from dashboard.charts.sampling import losses_listed, sampling_figure
from dashboard.parts.filters import chosen
from dashboard.parts.room_messages import Message, changes, missing, threshold
from dashboard.parts.screen import as_table, draw, fine, footing, plain, said, say_why_empty
from warehouse.questions.answer import Answer, answer
from warehouse.questions.shares import Rates
from warehouse.words import shares as wording
from warehouse.words.sentences import caution_text


def page(session: Session) -> None:
    """The page; who sees protected tables alone has the share, and what it rests on."""
    st.title("What happened")
    if not session.viewer.sees_cases:
        shown = session.protected()
        the_share(shown)
        fine(f"{shown.flow.stages[0].cases.shown} cases were started.", *shown.notes, session.viewer.words)
        draw(shares_figure(shown), key="share")
        footing(shown, session.snapshot.published_at)
        return
    choice = chosen(session)
    found = session.about_cases(answer, choice.selection, definition=choice.definition)
    if found.group.started.n == 0:
        say_why_empty(found.relief, choice.selection)
    else:
        the_share(found.overall)
        where_it_comes_from(found)
        group_by_group(found)
        if found.group.counted.n:
            section(missing(found), "bounds")
            section(changes(found), "changes")
            section(threshold(found), "threshold")
        the_untreated(found)
    footing(found.overall, found.published_at)


def the_share(overall: Rates) -> None:
    """The sentence, and what it does and does not say."""
    (group,) = overall.groups
    said(wording.headline(overall))
    plain(wording.other_way_sentence(group))
    if not overall.policy.hides_nothing:
        plain(overall.definition.sentence)
        return
    plain(overall.definition.sentence, wording.benchmark_sentence(group))
    fine(f"Counted here: {overall.selection.sentence()}.", *(caution_text(one) for one in group.warnings))


def where_it_comes_from(found: Answer) -> None:
    """From every case started to the cases counted."""
    flow = found.overall.flow
    st.header("From started to counted")
    plain(wording.flow_sentence(flow))
    draw(sampling_figure(flow), key="flow")
    rows = [(stage.title, stage.cases.shown, losses_listed(stage) or "—") for stage in flow.stages]
    as_table("Why cases went no further", ("stage", "cases", "went no further"), rows, file_name="sampling-frame.csv")


def group_by_group(found: Answer) -> None:
    """The three groupings people ask about first, as counted."""
    st.header("By appliance, age and extraction")
    fine(
        "Groups as they were counted, largest first. They differ in more than their name: who gets which appliance is"
        " not left to chance. The next page compares them with that in mind."
    )
    for result in found.by:
        if result.by is not None:
            st.subheader(result.by.title)
            draw(shares_figure(result), key=result.by.name)
            fine(result.by.note)


def section(message: Message | None, key: str) -> None:
    """What a room is shown as well."""
    if message is None:
        return
    st.header(message.title)
    plain(message.sentence)
    if message.figure is not None:
        draw(message.figure, key=key)
    fine(*message.small)


def the_untreated(found: Answer) -> None:
    """The same count among children nobody treated."""
    if found.untreated is None:
        return
    st.header("Children observed without treatment")
    (group,) = found.untreated.groups
    plain(f"Under the same definition. {wording.headline(found.untreated)} {wording.other_way_sentence(group)}")
    draw(side_by_side_figure({"treated": found.overall, "observed only": found.untreated}), key="untreated")
    fine(
        "Children who are treated and children who are only observed differ in more than the treatment, so a difference"
        " here is not the effect of treatment.",
        *(caution_text(one) for one in group.warnings),
    )


page(current_session())
