"""Parts of the page "How it is counted": plans and looks, and the proof by simulation."""

import tomllib
from collections.abc import Sequence
from importlib.resources import files
from typing import Any

import streamlit as st

from dashboard.access.ask import Session
from dashboard.parts.screen import fine, plain, said, table
from warehouse.plans.planned_or_explored import PlanOnRecord, plans_and_looks, record_mark
from warehouse.questions.methods import TITLES
from warehouse.upkeep.proof import Finding, proof
from warehouse.words.numbers import and_list
from warehouse.words.plans import looks_sentences, plans_sentence

TEXTS: dict[str, Any] = tomllib.loads(files(__package__).joinpath("methods.toml").read_text(encoding="utf-8"))


def planned(session: Session) -> None:
    """Plans on record, and how many comparisons were made."""
    found = session.about_methods(plans_and_looks, mark=record_mark(session.place.folder))
    st.header("What was decided beforehand")
    plain(TEXTS["why_plan"])
    said(plans_sentence(found))
    if found.plans:
        table([_plan_row(one) for one in found.plans], alt="Audit plans on record")
    plain(*looks_sentences(found))
    fine("Write a plan with `menton plan --example`, put it on record with `menton plan --add FILE`.")


def _plan_row(one: PlanOnRecord) -> dict[str, str]:
    plan = one.registered.plan
    adjusted = f", adjusted for {and_list([name.replace('_', ' ') for name in plan.adjust])}" if plan.adjust else ""
    return {
        "plan": plan.id,
        "question": plan.question,
        "decided on beforehand": f"{and_list(plan.outcomes)}; {TITLES[plan.primary]}{adjusted}",
        "agreed": plan.date,
        "registered (UTC)": one.registered.registered_at.replace("T", " ").rstrip("Z"),
        "digest": one.registered.sha256[:16],
        "how it stands": one.sentence,
    }


def proved() -> None:
    """The proof by simulation, section by section."""
    found = proof()
    st.header("Do the methods do what they say?")
    plain(TEXTS["why_prove"])
    said(found.sentence)
    for title, findings in found.sections.items():
        with st.expander(f"{title} ({len(findings)})"):
            table(_finding_rows(findings), alt=title)
    fine(TEXTS["how_to_read"])


def _finding_rows(findings: Sequence[Finding]) -> list[dict[str, str]]:
    return [
        {
            "what": one.what,
            "should be": one.expected,
            "was": f"{one.found:.4f}",
            "give or take": f"{one.error:.4f}",
            "cohorts": f"{one.runs:,}",
            "verdict": one.verdict if one.holds else f"{one.verdict} (not as it should be)",
        }
        for one in findings
    ]
