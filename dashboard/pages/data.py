"""How complete the data are: what was turned away and why, completeness by field and year, what was loaded when."""

from collections.abc import Sequence

import streamlit as st

from dashboard.access.ask import Session, current_session
from dashboard.charts.tiles import completeness_chart
from dashboard.parts.filters import practices
from dashboard.parts.screen import behind, draw, fine, palette, plain, said, table
from warehouse.upkeep.data_quality import DataQuality, Load, RuleCount, data_quality
from warehouse.words.numbers import cases
from warehouse.words.sentences import say
from warehouse.words.shares import NO_FILM

SHOWN_LOADS = 30


def page(session: Session) -> None:
    found = session.about_cases(data_quality, practices(session))
    st.title("How complete are the data?")
    said(summary(found))
    turned_away(found)
    completeness(found)
    remarks(found)
    history(found.loads)
    behind(("Build", session.snapshot.build_id), ("Caution", NO_FILM))


def summary(found: DataQuality) -> str:
    if not any(one.n_read for one in found.loads):
        return "Nothing has been loaded yet."
    return say("quality.open" if found.n_open else "quality.none_open", n=found.n_open)


def turned_away(found: DataQuality) -> None:
    st.header("What was turned away")
    if not found.turned_away:
        plain("No row is turned away and still open.")
        return
    plain(
        f"{cases(found.n_cases_turned_away)} of which nothing could be loaded. They were started, and are in no figure."
    )
    rule_table(found.turned_away, alt="Rules that turned rows away")
    fine(say("quality.rows"))


def completeness(found: DataQuality) -> None:
    st.header("What is missing where")
    if not found.completeness:
        plain("No case is in the warehouse yet.")
        return
    fine(say("quality.complete"))
    draw(completeness_chart(found.completeness, palette()), key="completeness")


def remarks(found: DataQuality) -> None:
    """Rules that remarked on rows which were loaded all the same."""
    if found.remarks:
        with st.expander(f"Remarks on rows that were loaded ({sum(one.n_rows for one in found.remarks):,})"):
            rule_table(found.remarks, alt="Rules that remarked on rows")


def rule_table(rules: Sequence[RuleCount], *, alt: str) -> None:
    """Rules with what they say and how many rows they met."""
    rows = [
        {
            "rows": f"{one.n_rows:,}",
            "what was wrong": f"{one.reason or 'see the list of rules'} ({one.rule})",
            "columns": ", ".join(one.columns[:4]) + (" …" if len(one.columns) > 4 else ""),
            "what to do": one.remedy,
        }
        for one in rules
    ]
    table(rows, alt=alt)


def history(loads: Sequence[Load]) -> None:
    """What was loaded when, and what was taken to be so."""
    st.header("What was loaded when")
    if not loads:
        return
    rows = [
        {
            "load": f"{one.load_id}",
            "when (UTC)": one.loaded_at,
            "practice": one.practice,
            "file": one.source,
            "table": one.table,
            "read": f"{one.n_read:,}",
            "turned away": f"{one.n_turned_away:,}",
        }
        for one in loads[:SHOWN_LOADS]
    ]
    table(rows, alt="Loads, newest first")
    with st.expander("What was taken to be so when these files were read"):
        columns = ("file", "about", "taken", "because")
        assumed = dict.fromkeys(
            (one.source, about.about, about.taken, about.because) for one in loads for about in one.assumptions
        )
        table([dict(zip(columns, one, strict=True)) for one in assumed], alt="Assumptions", columns=columns)


page(current_session())
