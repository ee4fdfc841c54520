"""The checklist for reports of observational studies, filled with what the warehouse knows.

Source of the items and their numbers: the STROBE statement, checklist for cohort studies (von Elm et al. 2007, PLoS
Med 4:e296). The wording is our own and shorter; read the statement itself before you submit.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from warehouse.plans.covariates import NOT_MEASURED, adjustables
from warehouse.plural import number_of
from warehouse.words.numbers import and_list
from warehouse.words.shares import CAUTION, answer_sentence, bounds_sentence, cases, flow_sentence
from warehouse.words.strobe_facts import strobe_facts

if TYPE_CHECKING:
    from warehouse.marts.reader import Reader
    from warehouse.selection import Selection
    from warehouse.words.strobe_facts import StrobeFacts


@dataclass(frozen=True, slots=True, kw_only=True)
class StrobeItem:
    """One item of the checklist."""

    number: str  # Its number in the statement
    section: str  # The part of a paper it belongs to
    asks: str  # What it asks for, in our own words
    known: str = ""  # What the warehouse can say to it; empty where it knows nothing
    to_write: str = ""  # What is left for a person to write; empty where nothing is


def strobe_items(
    reader: Reader, *, definition: str | None = None, selection: Selection | None = None
) -> tuple[StrobeItem, ...]:
    """The checklist for one definition (the headline one where None) and selection of cases."""
    facts = strobe_facts(reader, definition=definition, selection=selection)
    return (*_introduction(facts), *_methods(facts), *_statistics(facts), *_results(facts), *_discussion(facts))


def strobe_markdown(items: tuple[StrobeItem, ...], *, build: str) -> str:
    """The checklist as a Markdown text, with room for what is left to write."""
    lines = [
        "# STROBE checklist (cohort)",
        "",
        f"Filled from build {build}. Items and numbers: STROBE statement, von Elm et al. 2007, PLoS Med 4:e296; worded"
        " here in short. Blanks (____) are for you.",
    ]
    section = ""
    for item in items:
        if item.section != section:
            section = item.section
            lines += ["", f"## {section}", ""]
        lines.append(f"- **{item.number} {item.asks}**")
        if item.known:
            lines.append(f"  {item.known}")
        if item.to_write:
            lines.append(f"  ____ ({item.to_write})")
    return "\n".join([*lines, "", CAUTION, ""])


def _introduction(facts: StrobeFacts) -> tuple[StrobeItem, ...]:
    questions = " ".join(f"{one.plan.id}: {one.plan.question}" for one in facts.plans)
    return (
        StrobeItem(
            number="1a",
            section="Title and abstract",
            asks="Name the design",
            known="An audit: a cohort of cases followed from start to finish of treatment.",
            to_write="title",
        ),
        StrobeItem(
            number="1b", section="Title and abstract", asks="A balanced abstract", to_write="what was done and found"
        ),
        StrobeItem(
            number="2", section="Introduction", asks="Background", to_write="what was known, and why it matters"
        ),
        StrobeItem(
            number="3",
            section="Introduction",
            asks="Objectives, with questions stated beforehand",
            known=f"Questions of the audit plans on record: {questions}" if questions else "",
            to_write="" if questions else "the question; no audit plan is on record",
        ),
    )


def _from_to(first: str, last: str, *, one: str) -> str:
    return f"{one} {first}" if first == last else f"from {first} to {last}"


def _methods(facts: StrobeFacts) -> tuple[StrobeItem, ...]:
    found = facts.rates
    section = "Methods"
    practices = number_of(facts.n_practices, "practice")
    started = f", started {_from_to(*facts.quarters, one='in')}" if facts.quarters else ""
    loaded = f", data loaded {_from_to(*facts.loaded, one='on')}" if facts.loaded else ""
    return (
        StrobeItem(number="4", section=section, asks="Design", known="Cohort; every case is its own before and after."),
        StrobeItem(
            number="5",
            section=section,
            asks="Setting, places and dates",
            known=f"{practices}{started}{loaded}.",
            to_write="place and kind of practice",
        ),
        StrobeItem(
            number="6",
            section=section,
            asks="Who was eligible, how they were found and followed",
            known=f"Cases: {found.selection.sentence()}. {flow_sentence(found.flow)}",
            to_write="how consecutive cases were identified",
        ),
        StrobeItem(
            number="7",
            section=section,
            asks="Outcome, exposures, confounders, effect modifiers",
            known=f"Outcome {found.definition.name}: {found.definition.sentence} Source: {found.definition.source}."
            f" Growth: {found.growth_reference}. {_adjusted(facts)}",
        ),
        StrobeItem(
            number="8",
            section=section,
            asks="How each variable was measured, alike in all groups",
            known=f"{facts.n_measures} measures were read, by fixed definitions (`menton measures`). {_error(facts)}",
            to_write="radiographic and photographic equipment",
        ),
        StrobeItem(
            number="9",
            section=section,
            asks="What was done against bias",
            known=f"The outcome is a definition with a version, {found.definition.name}; {_planned(facts)}"
            f" {cases(found.flow.selected.n)} picked out rather than consecutive were left out.",
            to_write="whether tracings were read blind to group and time",
        ),
        StrobeItem(
            number="10",
            section=section,
            asks="How the number of cases came about",
            known=f"All {found.flow.stages[0].cases.n:,} cases started that were handed over and passed the checks.",
            to_write="whether a number was planned (`menton sample-size`)",
        ),
        StrobeItem(
            number="11",
            section=section,
            asks="How quantities were handled and grouped",
            known="Age enters models as a curve (restricted cubic spline), the mandibular plane as a number; tables use"
            " age bands, and vertical types cut at 27 and 37 degrees (Chung and Mongiovi 2003). The change itself is"
            " shown beside the class (`menton changes`).",
        ),
    )


def _statistics(facts: StrobeFacts) -> tuple[StrobeItem, ...]:
    texts = (
        (
            "12a",
            "Statistical methods, and how confounding was handled",
            "Shares with Wilson intervals; differences by Newcombe; Mantel-Haenszel, standardised risks by logistic"
            " regression (Firth's where separated), overlap and inverse probability weights, side by side.",
        ),
        ("12b", "Subgroups and interactions", _subgroups(facts)),
        (
            "12c",
            "Missing data",
            "Complete cases for each comparison; bounds, multiple imputation with Rubin's rules and tipping points"
            " beside them (`menton missing`).",
        ),
        (
            "12d",
            "Loss to follow-up",
            "Cases that stopped, moved away or did not return stay in the denominator's history and count as missing.",
        ),
        (
            "12e",
            "Sensitivity analyses",
            "Other definitions and thresholds, an E-value, and the balance and overlap of weighted groups.",
        ),
    )
    left = {"12a": "which comparison is the main one", "12e": "which of these were done"}
    return tuple(
        StrobeItem(number=n, section="Methods", asks=asks, known=known, to_write=left.get(n, ""))
        for n, asks, known in texts
    )


def _results(facts: StrobeFacts) -> tuple[StrobeItem, ...]:
    found, section = facts.rates, "Results"
    (group,) = found.groups
    stages = "; ".join(f"{stage.title} {stage.cases.n:,}" for stage in found.flow.stages)
    losses = "; ".join(f"{loss.reason} {loss.cases.n:,}" for stage in found.flow.stages for loss in stage.losses)
    gaps = "; ".join(f"{column.replace('_', ' ')} {n:,}" for column, n in facts.missing.items())
    months = f"Mean {facts.months[0]:.1f} months over {cases(facts.months[1])}." if facts.months else ""
    n_looks = facts.record.n_comparisons
    return (
        StrobeItem(number="13a", section=section, asks="Numbers at each stage", known=f"{stages}."),
        StrobeItem(
            number="13b",
            section=section,
            asks="Why cases went no further",
            known=f"{losses}." if losses else "No case was lost.",
        ),
        StrobeItem(number="13c", section=section, asks="A flow diagram", known="In the report (`menton report`)."),
        StrobeItem(
            number="14a",
            section=section,
            asks="Who the cases were, by group",
            known="`menton characteristics --by GROUPING --out FILE.xlsx` writes the table.",
        ),
        StrobeItem(
            number="14b",
            section=section,
            asks="Missing data for each variable",
            known=f"Not recorded, of {group.started.n:,} started: {gaps}." if gaps else "Nothing is missing.",
        ),
        StrobeItem(
            number="14c",
            section=section,
            asks="How long cases were followed",
            known=months,
            to_write="" if months else "no time between records is known",
        ),
        StrobeItem(
            number="15",
            section=section,
            asks="Number of outcome events",
            known=answer_sentence(group),
        ),
        StrobeItem(
            number="16a-c",
            section=section,
            asks="Crude and adjusted results with intervals; cut points; absolute risks",
            known=_main_results(facts),
            to_write="the comparison, from `menton compare`",
        ),
        StrobeItem(
            number="17",
            section=section,
            asks="Other analyses done",
            known=f"Different comparisons made in this warehouse so far: {n_looks:,}.",
            to_write="which of them are reported",
        ),
    )


def _discussion(facts: StrobeFacts) -> tuple[StrobeItem, ...]:
    (group,) = facts.rates.groups
    return (
        StrobeItem(number="18", section="Discussion", asks="Key results", to_write="against the question"),
        StrobeItem(
            number="19",
            section="Discussion",
            asks="Limitations, bias and its direction",
            known=f"{bounds_sentence(group)} Not recorded at all: {'; '.join(NOT_MEASURED)}.",
            to_write="what that may do, and in which direction",
        ),
        StrobeItem(
            number="20",
            section="Discussion",
            asks="A cautious interpretation",
            known="A difference between groups is an association, not proof of a cause.",
            to_write="in the light of other evidence",
        ),
        StrobeItem(number="21", section="Discussion", asks="To whom it applies", to_write="beyond these practices"),
        StrobeItem(
            number="22", section="Other information", asks="Funding and interests", to_write="who paid, and their part"
        ),
    )


def _adjusted(facts: StrobeFacts) -> str:
    listed = [one.plan for one in facts.plans if one.plan.adjust]
    if not listed:
        return "Confounders adjusted for: see `menton compare`."
    return " ".join(
        f"Plan {plan.id} adjusts for {and_list([item.title for item in adjustables(plan.adjust)])}." for plan in listed
    )


def _error(facts: StrobeFacts) -> str:
    if facts.error is None:
        return "No usable repeat readings: the method error of the outcome is not known."
    measure, n, sem = facts.error
    return f"Dahlberg's error of {measure}: {sem:.2f}, from {n:,} records read twice."


def _planned(facts: StrobeFacts) -> str:
    if not facts.plans:
        return "no audit plan is on record, so every comparison is explored after."
    listed = "; ".join(f"{one.plan.id} on {one.registered_at}" for one in facts.plans)
    return f"audit plans were registered: {listed}."


def _subgroups(facts: StrobeFacts) -> str:
    listed = [f"{one.plan.id}: {and_list(one.plan.subgroups)}" for one in facts.plans if one.plan.subgroups]
    planned = f"Planned subgroups: {'; '.join(listed)}." if listed else "No subgroup was planned."
    return f"{planned} Agreement of strata by the Breslow-Day test with Tarone's correction."


def _main_results(facts: StrobeFacts) -> str:
    if not facts.plans:
        return ""
    return (
        f"Audit plans on record: {and_list([one.plan.id for one in facts.plans])};"
        f" `menton compare --plan {facts.plans[0].plan.id}` carries one out."
        f" Comparisons {'have' if facts.record.looks else 'have not yet'} been looked at in this warehouse."
    )
