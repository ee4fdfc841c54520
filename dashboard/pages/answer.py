"""At a glance: the finding, its groups, its years, what is missing and what is next; each picture opens its page."""

from dataclasses import replace
from functools import partial

import streamlit as st

from dashboard.access.ask import Session, current_session
from dashboard.charts.course import years_figure
from dashboard.charts.figure import ChartFigure
from dashboard.charts.intervals import CHOSEN, glance_figure
from dashboard.charts.sampling import sampling_figure
from dashboard.parts.address import keep
from dashboard.parts.filters import FILTER_OF, chosen
from dashboard.parts.screen import draw, fine, footing, key_figures, plain, say_why_empty, titled_link, told
from warehouse.marts.grouping import GROUPINGS
from warehouse.questions.answer import COMPARISONS, YEARS, Glance, at_a_glance
from warehouse.questions.shares import Rates
from warehouse.words import shares as wording
from warehouse.words.contrasts import spread_sentence
from warehouse.words.sentences import caution_text, say


def page(session: Session) -> None:
    """The page; who sees protected tables alone has the share and its groups, small counts hidden."""
    with st.container(key="glance", gap="small"):
        st.title("What happened")
        if not session.viewer.sees_cases:
            protected(session)
            return
        choice = chosen(session)
        found = session.about_cases(at_a_glance, choice.selection, definition=choice.definition)
        finding(found.overall)
        if found.group.started.n == 0:
            say_why_empty(found.relief, choice.selection)
        else:
            if choice.selection.is_sample:  # no large figure of cases that are no sample
                key_figures(wording.key_figures(found.group))
            titled_link(say("glance.open", n=found.group.adverse.n), "cases", **{"class": "adverse"})
            pictures(found)
    footing(found.overall, found.published_at, caution=wording.CAUTION)


def finding(overall: Rates) -> None:
    """What counts as adverse, then the finding."""
    (group,) = overall.groups
    fine(say("glance.definition", name=overall.definition.name, sentence=overall.definition.sentence))
    told(overall)
    if not overall.policy.hides_nothing:
        plain(wording.first_line(group), wording.BESIDE_BY_GROUP)
    fine(*(caution_text(one) for one in group.warnings))


def pictures(found: Glance) -> None:
    """The groups people ask about first, the years, and the missing."""
    for place, result in zip(st.columns(3), found.by, strict=True):
        if result.by is not None:
            with place:
                titled_link(f"{result.by.title}: {spread_sentence(result)}", "comparisons", by=result.by.name)
                picked(glance_figure(result), result)
    years, missing, after = st.columns([1, 1, 0.8])
    with years:
        titled_link(wording.years_sentence(found.years), "comparisons", by=YEARS)
        picked(years_figure(found.years), found.years)
    with missing:
        titled_link(wording.flow_sentence(found.overall.flow), "behind")
        draw(replace(sampling_figure(found.overall.flow), step=31), key="flow")
    with after:
        (step, address), *_ = wording.steps(found.group, found.overall.flow, found.overall.definition)
        titled_link(say("glance.next"), address)
        fine(step, say("glance.marks"), say("glance.choose"))


def picked(figure: ChartFigure, result: Rates) -> None:
    """A picture in which a group can be chosen: the other pictures then show its cases alone."""
    by = result.by
    column = by.column if by else None
    if not result.policy.hides_nothing or column not in FILTER_OF:
        draw(figure, key=by.name if by else "share")
        return
    key = f"{by.name if by else ''}-{hash(result.selection.sentence())}"  # a chart of other cases is another chart
    draw(figure, key=key, choose=partial(narrow, f"chart-{key}", FILTER_OF[column]))


def narrow(chart: str, name: str) -> None:
    """Keep the group that was clicked on."""
    rows = st.session_state[chart].selection.get(CHOSEN) or []
    codes = [str(row["code"]) for row in rows if "code" in row]
    if codes:
        keep(name, codes)


def protected(session: Session) -> None:
    """What may be shown where small counts are hidden."""
    shown = session.protected()
    finding(shown)
    fine(f"{shown.flow.stages[0].cases.shown} cases were started.", *shown.notes, session.viewer.words)
    for place, by in zip(st.columns(len(COMPARISONS)), COMPARISONS, strict=True):
        with place:
            titled_link(f"{GROUPINGS[by].title}, small counts hidden", "comparisons", by=by)
            draw(glance_figure(session.protected(by)), key=by)
    footing(shown, session.snapshot.published_at, caution=wording.CAUTION)


page(current_session())
