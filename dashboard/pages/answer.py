"""The answer: the share of cases that went adverse, where the number comes from, and how firm it is."""

from __future__ import annotations

import streamlit as st

from dashboard.access.ask import Session, current_session
from dashboard.charts.bounds import bounds_chart
from dashboard.charts.changes import changes_alt, changes_chart
from dashboard.charts.rates import frame_alt, rates_alt, rates_chart, shares_chart, side_by_side_frame
from dashboard.charts.sampling import losses_in_words, sampling_alt, sampling_chart
from dashboard.charts.threshold import threshold_alt, threshold_chart
from dashboard.parts.filters import chosen
from dashboard.parts.screen import as_table, draw, fine, footing, palette, plain, said, say_why_empty
from warehouse.questions.answer import Answer, answer
from warehouse.questions.shares import Rates
from warehouse.words import shares as wording


def page(session: Session) -> None:
    """The page; who sees protected tables alone has the share, and what it rests on."""
    st.title("What happened")
    if not session.viewer.sees_cases:
        shown = session.protected()
        the_share(shown)
        fine(f"{shown.flow.stages[0].cases.shown} cases were started.", *shown.notes, session.viewer.words)
        draw(rates_chart(shown, palette=palette()), alt=rates_alt(shown), key="share")
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
            the_missing(found)
            the_changes(found)
            the_threshold(found)
        the_untreated(found)
    footing(found.overall, found.published_at)


def the_share(overall: Rates) -> None:
    """The sentence, and what it does and does not say."""
    said(wording.headline(overall))
    if not overall.policy.hides_nothing:
        plain(overall.definition.sentence)
        return
    (group,) = overall.groups
    plain(overall.definition.sentence, wording.benchmark_sentence(group))
    fine(f"Counted here: {overall.selection.sentence()}.", *(one.text for one in group.warnings))


def where_it_comes_from(found: Answer) -> None:
    """From every case started to the cases counted."""
    flow = found.overall.flow
    st.header("From started to counted")
    plain(wording.flow_sentence(flow))
    draw(sampling_chart(flow, palette=palette()), alt=sampling_alt(flow), key="flow")
    rows = [(stage.title, stage.cases.shown, losses_in_words(stage) or "—") for stage in flow.stages]
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
            draw(rates_chart(result, palette=palette()), alt=rates_alt(result), key=result.by.name)
            fine(result.by.note)


def the_missing(found: Answer) -> None:
    """How far the cases not known could move the share."""
    st.header("What the missing could do")
    plain(wording.bounds_sentence(found.group))
    if found.group.missing.n:
        draw(bounds_chart(found.group, palette=palette()), alt=wording.bounds_sentence(found.group), key="bounds")


def the_changes(found: Answer) -> None:
    """The changes themselves beside the classes."""
    picture = found.changes
    if picture is None or picture.quartiles is None:
        return
    st.header("How far faces moved")
    plain(wording.change_sentence(picture))
    draw(changes_chart(picture, palette=palette()), alt=changes_alt(picture), key="changes")
    fine(wording.error_sentence(picture.band, picture.unit))


def the_threshold(found: Answer) -> None:
    """How much the answer hangs on one number."""
    curve = found.threshold
    st.header("Had the line been drawn elsewhere")
    if curve.part is not None:
        plain(wording.threshold_sentence(curve))
        draw(threshold_chart(curve, palette=palette()), alt=threshold_alt(curve), key="threshold")
    fine(*(caution.text for caution in curve.cautions))


def the_untreated(found: Answer) -> None:
    """The same count among children nobody treated."""
    if found.untreated is None:
        return
    st.header("Children observed without treatment")
    plain(f"Under the same definition. {wording.headline(found.untreated)}")
    frame = side_by_side_frame({"treated": found.overall, "observed only": found.untreated})
    draw(shares_chart(frame, said=frame_alt(frame), palette=palette()), alt=frame_alt(frame), key="untreated")
    fine(
        "Children who are treated and children who are only observed differ in more than the treatment, so a difference"
        " here is not the effect of treatment.",
        *(one.text for one in found.untreated.groups[0].warnings),
    )


page(current_session())
