"""What is behind the share: where the number comes from, and how firm it is."""

from functools import partial

import streamlit as st

from dashboard.access.ask import Session, current_session
from dashboard.charts.intervals import side_by_side_figure
from dashboard.charts.sampling import losses_listed, sampling_figure
from dashboard.parts.filters import chosen
from dashboard.parts.room_messages import Message, changes, missing, threshold
from dashboard.parts.screen import (
    about,
    as_table,
    draw,
    fine,
    footing,
    plain,
    say_why_empty,
    side_by_side,
    titled_link,
    told,
)
from warehouse.export_safety import as_markdown
from warehouse.questions.answer import Firmness, Glance, at_a_glance, firmness
from warehouse.questions.shares import Rates
from warehouse.words import shares as wording
from warehouse.words.sentences import caution_text, say


def page(session: Session) -> None:
    st.title("What is behind it")
    choice = chosen(session)
    found = session.about_cases(at_a_glance, choice.selection, definition=choice.definition)
    if found.group.started.n == 0:
        say_why_empty(found.relief, choice.selection)
        footing(found.overall, found.published_at)
        return
    firm = session.about_cases(firmness, choice.selection, definition=choice.definition)
    the_share(found.overall)
    parts = [lambda: where_it_comes_from(found)]
    if found.group.counted.n:
        told = {"bounds": missing(found), "changes": changes(firm), "threshold": threshold(firm)}
        parts += [partial(section, message, key) for key, message in told.items() if message is not None]
    side_by_side(*parts, partial(the_untreated, found, firm))
    footing(found.overall, found.published_at)


def the_share(overall: Rates) -> None:
    """The sentence, and what it does and does not say."""
    (group,) = overall.groups
    told(overall)
    plain(*wording.beside_sentences(group), wording.benchmark_sentence(group))
    fine(f"Counted here: {overall.selection.sentence()}.", *(caution_text(one) for one in group.warnings))


def where_it_comes_from(found: Glance) -> None:
    """From every case started to the cases counted."""
    flow = found.overall.flow
    st.header("From started to counted")
    plain(wording.flow_sentence(flow))
    draw(sampling_figure(flow), key="flow")
    titled_link(say("glance.open_missing"), "worklist")
    rows = [(stage.title, stage.cases.shown, losses_listed(stage) or "—") for stage in flow.stages]
    as_table(
        "Why cases went no further",
        ("stage", "cases", "went no further"),
        rows,
        file_name="sampling-frame.csv",
        about=about(found.overall),
    )


def section(message: Message, key: str) -> None:
    """What a room is shown as well."""
    st.header(as_markdown(message.title))
    plain(message.sentence)
    if message.figure is not None:
        draw(message.figure, key=key)
    fine(*message.small)


def the_untreated(found: Glance, firm: Firmness) -> None:
    """The same count among children nobody treated."""
    if firm.untreated is None:
        return
    st.header("Children observed without treatment")
    (group,) = firm.untreated.groups
    plain(f"Under the same definition. {wording.headline(firm.untreated)}", *wording.beside_sentences(group))
    draw(side_by_side_figure({"treated": found.overall, "observed only": firm.untreated}), key="untreated")
    fine(say("glance.unlike"), *(caution_text(one) for one in group.warnings))


page(current_session())
