"""The checklist for reports of observational studies, filled with what the warehouse knows.

Source of the items and their numbers: the STROBE statement, checklist for cohort studies (von Elm et al. 2007, PLoS
Med 4:e296). The wording, in `strobe.toml`, is our own and shorter; read the statement itself before you submit.
"""

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files

from warehouse.analysis.method_error import pooled_error
from warehouse.export_safety import with_commands
from warehouse.marts.method_errors import errors_used
from warehouse.marts.reader import Reader
from warehouse.plans.covariates import NOT_MEASURED, adjustables
from warehouse.plans.plan import RegisteredPlan, registered_plans
from warehouse.plans.planned_or_explored import present_record
from warehouse.questions.case_table import measures_read
from warehouse.questions.shares import Rates, rates
from warehouse.selection import Selection
from warehouse.words.numbers import and_list
from warehouse.words.sentences import fill, say
from warehouse.words.shares import CAUTION, answer_sentence, bounds_sentence, flow_sentence

DESCRIBED = ("age_at_start", "sex", "plane_at_start", "incisor_class", "growth_stage", "appliance_first", "extraction")
"""Columns of mart_cases whose gaps are listed."""


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
    facts = _facts(reader, definition, selection or Selection())
    listed = tomllib.loads((files("warehouse.words") / "strobe.toml").read_text("utf-8"))["items"]
    return tuple(_item(entry, facts) for entry in listed)


def _item(entry: Mapping[str, str], facts: Mapping[str, object]) -> StrobeItem:
    ending = "" if "needs" not in entry or facts[entry["needs"]] else "_without"
    return StrobeItem(
        number=entry["number"],
        section=entry["section"],
        asks=entry["asks"],
        known=fill(entry.get(f"known{ending}", ""), facts),
        to_write=entry.get(f"to_write{ending}", ""),
    )


def strobe_markdown(items: tuple[StrobeItem, ...], *, build: str) -> str:
    """The checklist as a Markdown text, with room for what is left to write."""
    lines = [say("strobe.heading"), "", say("strobe.source", build=build)]
    section = ""
    for item in items:
        if item.section != section:
            section = item.section
            lines += ["", f"## {section}", ""]
        lines.append(f"- **{item.number} {item.asks}**")
        if item.known:
            lines.append(f"  {with_commands(item.known)}")
        if item.to_write:
            lines.append(f"  ____ ({item.to_write})")
    return "\n".join([*lines, "", CAUTION, ""])


def _facts(reader: Reader, definition: str | None, selection: Selection) -> dict[str, object]:
    """Name of a fact in `strobe.toml` -> the fact."""
    found = rates(reader, definition=definition, selection=selection)
    record, plans = present_record(reader), registered_plans(reader)
    condition, values = selection.where()
    (row,) = reader.connection.rows(
        "select count(distinct practice), min(start_quarter), max(start_quarter), avg(months_observed),"
        f" count(months_observed), {', '.join(f'count(*) filter (where {column} is null)' for column in DESCRIBED)}"
        f" from mart_cases where {condition}",
        values,
    )
    (loaded,) = reader.connection.rows("select min(loaded_at), max(loaded_at) from mart_loads")
    days = [day.date().isoformat() for day in loaded if day]
    (group,) = found.groups
    stages = found.flow.stages
    gaps = [f"{column.replace('_', ' ')} {n:,}" for column, n in zip(DESCRIBED, row[5:], strict=True) if n]
    return {
        "n_practices": row[0],
        "started": _from_to(
            "strobe.started_in", "strobe.started_from_to", [quarter for quarter in row[1:3] if quarter]
        ),
        "months": row[3],
        "n_months": row[4],
        "loaded": _from_to("strobe.loaded_on", "strobe.loaded_from_to", days),
        "selection": found.selection.sentence(),
        "flow": flow_sentence(found.flow),
        "outcome": found.definition.name,
        "meaning": found.definition.sentence,
        "source": found.definition.source,
        "growth": found.growth_reference,
        "n_measures": len(measures_read(reader)),
        "error": _error(reader, found),
        "hand_picked": found.flow.selected.n,
        "n_handed_over": stages[0].cases.n,
        "n_started": group.started.n,
        "stages": "; ".join(f"{stage.title} {stage.cases.n:,}" for stage in stages),
        "losses": "; ".join(f"{loss.reason} {loss.cases.n:,}" for stage in stages for loss in stage.losses),
        "gaps": "; ".join(gaps),
        "share": answer_sentence(group),
        "bounds": bounds_sentence(group),
        "not_measured": "; ".join(NOT_MEASURED),
        "looked": say("strobe.looked" if record.looks else "strobe.not_looked"),
        "n_looks": record.n_comparisons,
        **_plans(plans),
    }


def _plans(plans: Sequence[RegisteredPlan]) -> dict[str, object]:
    adjusting = [one.plan for one in plans if one.plan.adjust]
    subgroups = [f"{one.plan.id}: {and_list(one.plan.subgroups)}" for one in plans if one.plan.subgroups]
    adjusted = [
        say("strobe.adjusted", plan=plan.id, names=[item.title for item in adjustables(plan.adjust)])
        for plan in adjusting
    ]
    registered = "; ".join(f"{one.plan.id} on {one.registered_at}" for one in plans)
    return {
        "plans": [one.plan.id for one in plans],
        "first_plan": plans[0].plan.id if plans else "",
        "questions": " ".join(f"{one.plan.id}: {one.plan.question}" for one in plans),
        "planned": say("strobe.plans", plans=registered) if plans else say("strobe.no_plan"),
        "adjusted": " ".join(adjusted) or say("strobe.not_adjusted"),
        "subgroups": say("strobe.subgroups", subgroups="; ".join(subgroups))
        if subgroups
        else say("strobe.no_subgroup"),
    }


def _from_to(one: str, two: str, ends: Sequence[str]) -> str:
    """The first and the last of something, as one where they are the same; empty without any."""
    if not ends:
        return ""
    return say(one if ends[0] == ends[-1] else two, first=ends[0], last=ends[-1])


def _error(reader: Reader, found: Rates) -> str:
    """Dahlberg's error of the definition's first measure with usable repeats, over all practices."""
    for measure in found.definition.measures:
        if pooled := pooled_error(errors_used(reader.connection, measure)):
            return say("strobe.error", measure=measure, n=pooled[0], sem=pooled[1])
    return say("strobe.no_error")
