"""Case by case: every counted case as a dot, any of them looked at closely, and teeth against face."""

from collections.abc import Collection, Sequence
from dataclasses import replace
from typing import Any

import polars as pl
import streamlit as st

from dashboard.access.ask import Session, current_session
from dashboard.charts.corners import corners_chart
from dashboard.charts.course import course_alt, course_chart, slopes_figure
from dashboard.charts.dots import AREA, ONE, beyond_chart, dots_chart
from dashboard.charts.three_times import three_times_chart
from dashboard.parts.address import keep, pick
from dashboard.parts.filters import Choice, chosen
from dashboard.parts.screen import draw, fine, footing, palette, plain, said, say_why_empty, table
from warehouse.cases.case_dots import CaseDots, case_dots
from warehouse.cases.case_page import OneCase, one_case
from warehouse.questions.answer import outline
from warehouse.questions.teeth_and_face import corners_of_cases
from warehouse.questions.three_times import three_times
from warehouse.words.changes import corner_sentence, three_times_sentence
from warehouse.words.readings import line_sentence
from warehouse.words.sentences import say
from warehouse.words.shares import course_sentence

OFFERED = 400
SHOWN = 25
CLASSES = {"": "all counted", "adverse": "adverse", "other": "not adverse"}


def page(session: Session) -> None:
    st.title("Case by case")
    choice = chosen(session)
    found = session.about_cases(outline, choice.selection, definition=choice.definition)
    if found.group.started.n == 0:
        say_why_empty(found.relief, choice.selection)
        footing(found.overall, found.published_at)
        return
    dots = session.about_cases(case_dots, choice.selection, definition=choice.definition)
    if dots is None or dots.frame.is_empty():
        said("There is no dot to draw.")
        plain(say("dots.none"))
    else:
        kept = pick("Which cases", CLASSES, key="class", is_short=True)
        some = replace(dots, frame=dots.frame.filter(pl.col("status") == CLASSES[kept])) if kept else dots
        picked = all_cases(some, left_out=_left_out(dots))
        if dots.course is not None:
            st.header("From start to finish, on average")
            plain(course_sentence(dots.course))
            draw(slopes_figure(dots.course), key="slopes")
        a_closer_look(session, choice, some, picked)
    forward_first(session, choice)
    teeth_and_face(session, choice)
    footing(found.overall, found.published_at)


def all_cases(dots: CaseDots, *, left_out: Sequence[str]) -> list[str]:
    """The dots; gives back the cases picked in the picture."""
    side = "above" if dots.part.direction == "rise" else "below"
    said(f"Each dot is one of {dots.n_drawn:,} cases; far {side} the line is worse.")
    fine(line_sentence(dots), dots.band.said, *left_out)
    fine("Click a dot to open its case, or drag over an area to pick cases: the second picture and the list follow.")
    event = draw(dots_chart(dots, palette()), key="dots", choose=open_the_clicked)
    picked = picked_cases(dots.frame, event)
    st.header("The same cases by age")
    draw(beyond_chart(dots, palette(), picked=picked), key="beyond")
    if picked:
        the_picked(dots.frame.filter(pl.col("case").is_in(picked)))
    return picked


def open_the_clicked() -> None:
    """A dot clicked on opens its case below."""
    clicked = st.session_state["chart-dots"].selection.get(ONE) or []
    if len(clicked) == 1 and "case" in clicked[0]:
        keep("case", [clicked[0]["case"]])


def _left_out(dots: CaseDots) -> list[str]:
    lines = []
    if dots.n_other:
        lines.append(f"{dots.n_other:,} cases were counted by another measure and are not drawn.")
    if dots.n - dots.n_other > dots.n_drawn:
        lines.append(
            f"Of {dots.n - dots.n_other:,} cases a random {dots.n_drawn:,} are drawn; narrow down to see others."
        )
    return lines


def picked_cases(frame: pl.DataFrame, event: Any) -> list[str]:  # noqa: ANN401 - what the chart reports
    """Cases inside the area dragged over, or the one clicked on."""
    chosen_area = dict(event.selection.get(AREA) or {})
    clicked = [one["case"] for one in event.selection.get(ONE) or [] if "case" in one]
    inside = [
        pl.col(axis).is_between(min(ends), max(ends))
        for axis, ends in chosen_area.items()
        if axis in {"before", "after"}
    ]
    area = frame.filter(*inside)["case"].to_list() if inside else []
    return list(dict.fromkeys([*clicked, *area]))


def the_picked(frame: pl.DataFrame) -> None:
    st.subheader(f"Picked: {frame.height:,}")
    shown = frame.sort("beyond", descending=True).head(SHOWN)
    listed = shown.select(
        "case",
        pl.format("{} → {}", pl.col("before").round(1), pl.col("after").round(1)).alias("start → finish"),
        pl.col("beyond").round(1).alias("change, plus is worse"),
        pl.col("age_at_start").round(1).alias("age"),
        "appliance",
        pl.col("status").alias("class"),
    )
    table(listed.to_dicts(), alt=f"The {shown.height} picked cases with the largest change")
    if frame.height > SHOWN:
        fine(f"The {SHOWN} with the largest change are listed.")


def a_closer_look(session: Session, choice: Choice, dots: CaseDots, picked: Collection[str]) -> None:
    st.header("One case")
    frame = dots.frame.filter(pl.col("case").is_in(list(picked))) if picked else dots.frame
    ordered = frame.sort("beyond", descending=True).head(OFFERED)
    asked_for = dots.frame.filter(pl.col("case").is_in(st.query_params.get_all("case")))  # a link may name any drawn
    rows = pl.concat([ordered, asked_for]).unique("case", maintain_order=True).iter_rows(named=True)
    names = {"": "choose a case"} | {row["case"]: f"{row['case']}  ({row['beyond']:+.1f})" for row in rows}
    one = pick("Case, by size of its change", names, key="case")
    if not one:
        plain("Choose a case to see its course over time and, where points were traced, its drawing.")
        return
    the_case(session.about_cases(one_case, choice.selection, case=one, measure=dots.measure), dots)


def the_case(case: OneCase, dots: CaseDots) -> None:
    name = f"case {case.case}"
    table([{"": fact, name: value} for fact, value in case.facts.items()], alt=f"Facts of {name}")
    course = course_alt(case.course, dots.label, dots.unit)
    draw(course_chart(case.course, palette(), label=dots.label, unit=dots.unit), key="course")
    if case.drawing:
        alt = f"Points of {name}, finish drawn over start. {course}"
        st.image(case.drawing, width="stretch", alt=alt)
    else:
        fine(case.no_drawing)
    with st.expander("What every definition says of this case"):
        table([{"definition": one, name: status} for one, status in case.outcomes.items()], alt=f"Outcomes of {name}")


def forward_first(session: Session, choice: Choice) -> None:
    """Overjet over three times: front teeth forward first, lower jaw after."""
    found = session.about(three_times, choice.question(by=""))
    if found.frame.is_empty():
        return
    st.header("Front teeth forward first, lower jaw after")
    plain(three_times_sentence(found))
    draw(three_times_chart(found, palette()), key="three_times")
    fine("A thin line is one case; the thick one joins the medians. Read on the way and at the finish alike.")


def teeth_and_face(session: Session, choice: Choice) -> None:
    st.header("Teeth and face together")
    corners = session.about(corners_of_cases, choice.question(by=""))
    if corners is None:
        plain("The peer assessment rating was not brought in, so teeth and face cannot be set against each other.")
        return
    plain(corner_sentence(corners))
    if corners.among_all.value is not None:
        draw(corners_chart(corners, palette()), key="corners")
    fine(
        "Teeth count as improved when the peer assessment rating fell by at least 30% (Richmond and others, 1992).",
        "A rating of 0 at the start leaves nothing to improve: such a case is left out.",
        *(f"Left out: {n:,} cases, {reason}." for reason, n in corners.left_out.items()),
    )


page(current_session())
