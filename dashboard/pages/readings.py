"""How exact the readings are: method error by measure and examiner, and second readings as a picture."""

from collections.abc import Sequence

import streamlit as st

from dashboard.access.ask import Session, current_session
from dashboard.charts.agreement import agreement_chart
from dashboard.parts.address import pick
from dashboard.parts.filters import practices
from dashboard.parts.screen import behind, draw, fine, palette, plain, said, table
from warehouse.analysis.method_error import HELD_WITH_HEAVY_TAILS
from warehouse.repeats.repeats import MeasureError, Repeats, measure_errors, repeats
from warehouse.selection import Selection
from warehouse.words.numbers import signed
from warehouse.words.readings import agreement_alt, agreement_sentence
from warehouse.words.sentences import caution_text, say

FIRST = "sn_gogn_deg"
NONE = "—"


def page(session: Session) -> None:
    selection = practices(session)
    st.title("How exact are the readings?")
    errors = session.about_cases(measure_errors, selection)
    if not errors:
        said("No record was read twice, so the error of these readings is not known.")
        plain(say("readings.none"))
        end(session)
        return
    names = {one.measure: one.label for one in errors}
    measure = pick("Measure", names, key="measure", first=FIRST)
    one_measure(session, selection, measure)
    every_measure(errors)
    end(session)


def one_measure(session: Session, selection: Selection, measure: str) -> None:
    """One measure looked at: sentence, picture, examiners."""
    found = session.about_cases(repeats, selection, measure=measure)
    error = next(iter(found.by_examiner.values())) if len(found.by_examiner) == 1 else None
    said(agreement_sentence(found))
    plain(agreement_alt(found))
    draw(agreement_chart(found, palette()), key="agreement")
    fine(*map(caution_text, (*found.agreement.bias.warnings, *(() if error is None else error.dahlberg.warnings))))
    by_examiner(found)
    between(found)


def by_examiner(found: Repeats) -> None:
    st.header("Examiner by examiner")
    rows = [
        {
            "examiner": name,
            "read twice": f"{error.n:,}",
            "error of one reading": _number(error.dahlberg.value, found.unit),
            "first minus second": NONE
            if error.bias.value is None
            else f"{signed(error.bias.value, digits=2)} {found.unit}",
            "reliability": NONE if error.reliability is None else f"{error.reliability:.3f}",
        }
        for name, error in found.by_examiner.items()
    ]
    table(rows, alt=f"Error of {found.label} by examiner")


def between(found: Repeats) -> None:
    """Agreement of examiners who read the same records."""
    if not found.between:
        return
    st.header("Two examiners, the same records")
    rows = [
        {
            "examiners": pair,
            "records": f"{one.n:,}",
            "first minus second examiner": NONE
            if one.bias.value is None
            else f"{signed(one.bias.value, digits=2)} {found.unit}",
            "95% of differences": NONE
            if one.lower.value is None or one.upper.value is None
            else f"{signed(one.lower.value, digits=2)} to {signed(one.upper.value, digits=2)}",
        }
        for pair, one in found.between.items()
    ]
    table(rows, alt=f"Agreement between examiners on {found.label}")
    fine("A steady difference between examiners makes groups look different where each examiner reads one group.")


def every_measure(errors: Sequence[MeasureError]) -> None:
    st.header("Every measure")
    rows = [
        {
            "measure": f"{one.label}, taken twice" if one.is_taken_again else one.label,
            "records": f"{one.error.n:,}",
            "error of one reading": _number(one.error.dahlberg.value, one.unit),
            "least real change": _number(one.error.mdc, one.unit),
            "reliability": NONE if one.error.reliability is None else f"{one.error.reliability:.3f}",
        }
        for one in errors
    ]
    table(rows, alt="Method error of every measure with records read or taken twice")
    fine(say("readings.meant"), say("error.heavy_tails", held=HELD_WITH_HEAVY_TAILS))


def _number(value: float | None, unit: str) -> str:
    return NONE if value is None else f"{value:.2f} {unit}"


def end(session: Session) -> None:
    behind(
        ("Records", "all records read more than once, whatever became of the cases"),
        ("Sources", "Dahlberg 1940; Houston 1983; Bland and Altman 1986, 1999"),
        ("Build", session.snapshot.build_id),
    )


page(current_session())
