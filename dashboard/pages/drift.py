"""Is the share adverse drifting in one practice? Its cases as they finished, against a share fixed beforehand."""

import streamlit as st

from dashboard.access.ask import Session, current_session
from dashboard.charts.drift import average_chart, cusum_chart, periods_chart, periods_frame
from dashboard.parts.address import number, pick
from dashboard.parts.filters import definition_chosen
from dashboard.parts.screen import about, as_table, behind, draw, fine, palette, plain, said, table
from warehouse.analysis.drift import Review
from warehouse.plans.question import Question
from warehouse.questions.drift import DriftAsked, DriftPicture, drift_picture, practices_with_cases
from warehouse.selection import Selection
from warehouse.words.drift import (
    average_sentence,
    direction_sentence,
    finding,
    latest_reviews,
    periods_sentence,
    plan_sentence,
    refused_sentence,
    run_length_sentences,
)
from warehouse.words.numbers import percent
from warehouse.words.sentences import caution_text

NONE = "—"


def page(session: Session) -> None:
    st.title("Is it drifting?")
    definition, practice = the_choice(session)
    if not practice:
        said("There is no practice with cases yet.")
        return
    asked = what_is_fixed()
    selection = Selection(filters={"practice": (practice,)})
    found = session.about(drift_picture, Question(definition=definition, selection=selection), asked=asked)
    the_sum(found, practice)
    the_average(found)
    the_periods(found)
    fine(*(caution_text(caution) for caution in found.cautions))
    chosen = found.definition
    behind(
        ("Definition", f"{chosen.name}, {chosen.label}. {chosen.sentence} Source: {chosen.source}."),
        ("Growth reference", found.growth_reference),
        ("Cases", f"{found.selection.sentence()}; in order of finish"),
        ("Methods", "Bernoulli CUSUM (Steiner 2000), moving average and p-chart (NIST handbook 6.3)"),
        ("Build", found.build),
    )


def the_choice(session: Session) -> tuple[str, str]:
    """Definition and practice; a practice is asked for only where there are several."""
    known = session.about_cases(practices_with_cases, Selection())
    with st.sidebar:
        st.header("What is charted", divider=False)
        definition = definition_chosen(session)
        if len(known) < 2:
            return definition, known[0] if known else ""
        return definition, pick("Practice", {one: one for one in known}, key="practice")


def what_is_fixed() -> DriftAsked:
    """What the chart is fixed by. It belongs in a plan before the cases are looked at, and is in the address."""
    usual_choice = DriftAsked()
    with st.sidebar, st.expander("What the chart is fixed by"):
        st.caption("Fix these in your plan, before you look. Empty: taken from the first cases, and twice their odds.")
        usual = number("Usual share, %", 0.1, 99.0, None, 0.5, key="usual")
        notice = number("Share to notice, %", 0.1, 99.0, None, 0.5, key="notice")
        alarm = number("Cases until a false alarm", 50, 10_000, int(usual_choice.false_alarm), 50, key="alarm")
        every = number("Review after so many cases", 5, 500, usual_choice.review_every, 5, key="every")
    return DriftAsked(
        in_control=None if usual is None else usual / 100,
        out_of_control=None if notice is None else notice / 100,
        false_alarm=float(alarm or usual_choice.false_alarm),
        review_every=int(every or usual_choice.review_every),
    )


def the_sum(found: DriftPicture, practice: str) -> None:
    """The finding, the chart it comes from, and how often it is wrong."""
    if found.path is None:
        said(f"{practice}: no chart yet.")
        plain(refused_sentence(found))
        return
    said(f"{practice}: {finding(found.path)}")
    plain(plan_sentence(found), *run_length_sentences(found))
    draw(cusum_chart(found, palette()), key="cusum")
    fine(
        direction_sentence(found.path),
        "A signal is a reason to look: whom the practice treats, how it measures, what it does. It is no verdict.",
    )
    the_reviews(found)


def the_reviews(found: DriftPicture) -> None:
    if not found.reviews or found.path is None:
        return
    st.subheader("Planned reviews")
    reviews, which = latest_reviews(found)
    limit = found.path.plan.limit
    table([_review(one) for one in reviews], alt=f"State of the chart at its planned reviews; the limit is {limit:.2f}")
    fine(which)


def _review(one: Review) -> dict[str, str]:
    if not one.reached or one.adverse is None or one.expected is None or one.value is None:
        texts = (NONE, NONE, NONE, "still ahead")
    else:
        signals = ", ".join(f"case {number}" for number in one.signals) or "none"
        texts = (f"{one.adverse:,}", f"{one.expected:.1f}", f"{one.value:.2f}", signals)
    names = ("adverse so far", "expected so far", "sum", "signals since the last review")
    return {"after": f"{one.case_number:,} cases", **dict(zip(names, texts, strict=True))}


def the_average(found: DriftPicture) -> None:
    if found.average is None or not found.average.points:
        return
    st.header("The moving average")
    plain(average_sentence(found))
    draw(average_chart(found, palette()), key="average")
    fine("Each case counts for a twentieth, the older ones less and less. Shaded: limits at three standard deviations.")


def the_periods(found: DriftPicture) -> None:
    frame = periods_frame(found)
    if frame.is_empty():
        return
    st.header("By when treatment started")
    plain(periods_sentence(found))
    draw(periods_chart(found, palette()), key="periods")
    fine(
        f"Bars: exact limits for a period of that size, about {percent(found.periods.centre)}. Filled triangles lie"
        " outside.",
        f"{found.n_not_due:,} cases are still in treatment, or have no growth reference at their age: not counted."
        if found.n_not_due
        else "",
    )
    rows = [
        (one.label, f"{one.n:,}", percent(one.value) if one.n else NONE, f"{percent(one.low)} to {percent(one.high)}")
        for one in found.periods.points
    ]
    as_table(
        "The same as a table",
        ("started in", "counted", "share", "limits"),
        rows,
        file_name="periods.csv",
        about=about(found),
    )


page(current_session())
