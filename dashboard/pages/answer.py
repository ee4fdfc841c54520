"""The answer: the share of cases that went adverse, where the number comes from, and how firm it is."""

from __future__ import annotations

import streamlit as st

from dashboard.access.ask import Desk, desk
from dashboard.charts.bounds import bounds_chart
from dashboard.charts.changes import changes_alt, changes_chart
from dashboard.charts.rates import frame_alt, rates_alt, rates_chart, shares_chart, side_by_side_frame
from dashboard.charts.sampling import losses_listed, sampling_alt, sampling_chart
from dashboard.charts.threshold import threshold_alt, threshold_chart
from dashboard.parts.empty_selection import say_why_empty
from dashboard.parts.filters import chosen
from dashboard.parts.footer import footing
from dashboard.parts.screen import as_table, draw, fine, palette, plain, said
from warehouse.questions.answer import Answer, answer
from warehouse.questions.shares import Rates
from warehouse.results import Estimate
from warehouse.words import shares as wording
from warehouse.words.sentences import caution_text


def page(here: Desk) -> None:
    """The page for those who may see every count."""
    choice = chosen(here)
    found = here.about_cases(answer, choice.selection, definition=choice.definition)
    st.title("What happened")
    if found.group.n_started == 0:
        say_why_empty(found.relief, choice.selection)
        footing(found.overall, found.published_at)
        return
    the_share(found)
    where_it_comes_from(found)
    group_by_group(found)
    if found.group.n_assessable:
        the_missing(found)
        the_changes(found)
        the_threshold(found)
    the_untreated(found)
    footing(found.overall, found.published_at)


def the_share(found: Answer) -> None:
    """The sentence, and what it does and does not say."""
    said(wording.headline(found.overall))
    plain(found.overall.definition.sentence, wording.benchmark_sentence(found.group))
    fine(f"Counted here: {found.overall.selection.sentence()}.", *(caution_text(one) for one in found.group.warnings))


def where_it_comes_from(found: Answer) -> None:
    """From every case started to the cases counted."""
    flow = found.overall.flow
    st.header("From started to counted")
    plain(wording.flow_sentence(flow))
    draw(sampling_chart(flow, palette=palette()), alt=sampling_alt(flow), key="flow")
    rows = [(stage.title, f"{stage.n:,}", losses_listed(stage) or "—") for stage in flow.stages]
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
    if found.group.n_missing_due:
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
    fine(*(caution_text(caution) for caution in curve.cautions))


def the_untreated(found: Answer) -> None:
    """The same count among children nobody treated."""
    if found.untreated is None:
        return
    st.header("Children observed without treatment")
    plain(f"Under the same definition. {wording.share_sentence(*_counts(found.untreated))}")
    frame = side_by_side_frame({"treated": found.overall, "observed only": found.untreated})
    draw(shares_chart(frame, said=frame_alt(frame), palette=palette()), alt=frame_alt(frame), key="untreated")
    fine(
        "Children who are treated and children who are only observed differ in more than the treatment, so a difference"
        " here is not the effect of treatment.",
        *(caution_text(one) for one in found.untreated.groups[0].warnings),
    )


def _counts(result: Rates) -> tuple[int, Estimate]:
    return result.groups[0].n_adverse, result.groups[0].rate


def protected(here: Desk) -> None:
    """The page for those who see protected tables alone."""
    found = here.protected()
    (group,) = found.groups
    st.title("What happened")
    said(wording.protected_sentence(group))
    plain(found.definition.sentence)
    fine(f"{found.n_started.shown} cases were started.", *found.notes, here.viewer.words)
    draw(rates_chart(found, palette=palette()), alt=rates_alt(found), key="share")
    footing(found, here.snapshot.published_at)


here = desk()
if here.viewer.sees_cases:
    page(here)
else:
    protected(here)
