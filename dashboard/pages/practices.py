"""Practices beside each other, unnamed and in order of size: of this warehouse, or of a study group it is in."""

from collections.abc import Mapping
from dataclasses import dataclass

import streamlit as st

from dashboard.access.ask import current_session, place
from dashboard.access.sign_in import current_viewer
from dashboard.access.viewer import Viewer
from dashboard.charts.course import panels_figure
from dashboard.charts.funnel import funnel_figure
from dashboard.charts.intervals import forest_figure, means_figure
from dashboard.parts.address import pick
from dashboard.parts.screen import as_table, behind, draw, fine, footing, plain, said, table
from warehouse.export_safety import as_markdown
from warehouse.marts.grouping import GROUPINGS
from warehouse.pooled.kept_results import Kept, kept_results
from warehouse.pooled.result import GroupPool, GroupResult, MeanPool, PracticeLine, SharePool
from warehouse.pooled.this_warehouse import Here
from warehouse.store.snapshot import POINTER
from warehouse.words.pooled import (
    ORDER,
    WORSE_ALONE,
    figure_words,
    funnel_sentence,
    group_rows,
    hidden_sentence,
    line_sentence,
    mean_prediction_sentence,
    mean_rows,
    mean_sentence,
    note_text,
    overdispersion_sentence,
    place_sentence,
    pooled_sentence,
    practice_rows,
    prediction_sentence,
    spread_sentence,
    trend_sentence,
)
from warehouse.words.sentences import say
from warehouse.words.shares import NAMING

NOBODY = "none of them"
HERE = "the practices of this warehouse"
FROM_MEMBERS = "Of single changes nothing left a practice; it gave their number, mean and spread."
FROM_CASES_HERE = f"{say('pooled.in_means')} No single case can be seen here."


@dataclass(frozen=True, slots=True)
class ChosenSource:
    """Where practices come from: the warehouse (``here``), or a kept result of a group."""

    name: str
    here: Here | None = None
    kept: Kept | None = None

    @property
    def tags(self) -> Mapping[str, str]:
        """Practice -> tag of its line, for the practices of this warehouse."""
        if self.here is not None:
            return self.here.tags
        return self.kept.mine if self.kept is not None else {}


def page() -> None:
    st.title("How practices compare")
    viewer = current_viewer()
    source = the_source(sources())
    if source is None:
        said("There is nothing to compare yet.")
        plain("Bring in the cases of several practices, or take part in a study group and read what it found.")
        behind(("Caution", NAMING))
        return
    mine = marked(source, viewer)
    if source.here is not None:
        shares(source.here.pool, mine)
        if source.here.means is not None:
            the_means(source.here.means, mine, FROM_CASES_HERE)
        if source.here.courses is not None:
            st.header(say("course.panels_title"))
            draw(panels_figure(source.here.courses), key="courses")
            fine(say("course.panels"))
        fine(say("pooled.no_filter"))
        footing(source.here.rates, current_session().snapshot.published_at, caution=NAMING)
    elif source.kept is not None:
        of_group(source.kept.result, mine)


def sources() -> list[ChosenSource]:
    """What there is to look at: the warehouse itself if something is published, then every result kept."""
    folder = place().folder
    found = []
    if (folder / POINTER).exists():
        here = current_session().practices()
        if len(here.tags) > 1:
            found.append(ChosenSource(HERE, here=here))
    for kept in kept_results(folder):
        name = f"{kept.result.name}, result {kept.result.number} of {kept.result.made_on}"
        found.append(ChosenSource(name, kept=kept))
    return found


def the_source(listed: list[ChosenSource]) -> ChosenSource | None:
    """The one looked at; asked for only where there are several."""
    if len(listed) < 2:
        return listed[0] if listed else None
    by_name = {one.name: one for one in listed}
    with st.sidebar:
        st.header("What is looked at", divider=False)
        return by_name[pick("Practices", {name: name for name in by_name}, key="of", is_short=True)]


def marked(source: ChosenSource, viewer: Viewer) -> str:
    """The tag of the line that is marked: a practice's own; an owner or coordinator may have one marked or none."""
    if viewer.role == "practice":
        return source.tags.get(viewer.practice, "")
    if source.kept is not None:
        return next(iter(source.tags.values()), "") if viewer.role == "owner" and len(source.tags) == 1 else ""
    with st.sidebar:
        st.header("What is marked", divider=False)
        chosen = pick("Mark a practice", {name: name for name in (NOBODY, *sorted(source.tags))}, key="mark")
        st.caption("The others stay without a name, so that the picture can be shown to all.")
    return source.tags.get(chosen, "")


def shares(found: SharePool, mine: str) -> None:
    said(pooled_sentence(found))
    plain(found.sentence)
    if found.refused:
        fine(*map(note_text, found.notes))
        return
    plain(prediction_sentence(found), spread_sentence(found), hidden_sentence(found))
    own = next((one for one in found.lines if mine and one.tag == mine), None)
    if own is not None:
        plain(line_sentence(own))
    if found.lines:
        the_forest(found, mine)
        the_funnel(found, mine, own)
    the_model(found)


def the_forest(found: SharePool, mine: str) -> None:
    """Every practice with its interval, and all together."""
    st.header("Each with its interval")
    draw(forest_figure(found, mine=mine), key="forest")
    fine(ORDER, WORSE_ALONE, say("pooled.in_forest"))
    as_table(
        "The same as a table",
        *practice_rows(found, {mine} - {""}),
        file_name="practices.csv",
        about={"definition": f"{found.definition}: {found.sentence}"},
    )


def the_funnel(found: SharePool, mine: str, own: PracticeLine | None) -> None:
    st.header("Each by its size")
    plain(funnel_sentence(found), place_sentence(own) if own is not None else "")
    if any(one.position for one in found.lines) and found.target is not None:
        draw(funnel_figure(found, mine=mine), key="funnel")
    fine(say("pooled.in_funnel"), overdispersion_sentence(found))


def the_model(found: SharePool) -> None:
    rows = [(one.name, figure_words(one)) for one in found.figures]
    as_table(
        "The share over all practices",
        ("model", "share (95% interval)"),
        rows,
        file_name="pooled-share.csv",
        about={"definition": f"{found.definition}: {found.sentence}"},
    )
    fine(*map(note_text, found.notes))


def of_group(result: GroupResult, mine: str) -> None:
    names = {one.outcome: one.definition for one in result.shares}
    outcome = next(iter(names), "")
    if len(names) > 1:
        outcome = pick("Definition", names, key="def")
    for found in result.shares:
        if found.outcome == outcome:
            shares(found, mine)
    for means in result.means:
        if means.outcome == outcome:
            the_means(means, mine, FROM_MEMBERS)
    for breakdown in result.breakdowns:
        if breakdown.outcome == outcome:
            by_group(breakdown)
    behind(
        ("Definition", names.get(outcome, "")),
        ("Group", f"{result.name}, agreement version {result.version}; result {result.number} of {result.made_on}"),
        ("Growth reference", result.growth),
        ("Read", " ".join(result.notes)),
        ("Caution", NAMING),
    )


def the_means(found: MeanPool, mine: str, origin: str) -> None:
    """The mean change of each practice, and of all together."""
    st.header("How far faces moved, on average")
    plain(mean_sentence(found), mean_prediction_sentence(found), spread_sentence(found))
    if not found.refused:
        draw(means_figure(found, mine=mine), key="means")
        columns, rows = mean_rows(found, {mine} - {""})
        as_table(
            "The same means as a table", columns, rows, file_name="practice-means.csv", about={"measure": found.about}
        )
    fine(f"{found.about}. {origin}", *map(note_text, found.notes))


def by_group(found: GroupPool) -> None:
    """Shares by the groups of a variable over all practices."""
    title = GROUPINGS[found.by].title if found.by in GROUPINGS else found.by.replace("_", " ").capitalize()
    st.header(f"{as_markdown(title)}, over all practices")
    if found.refused:
        plain(found.refused)
        fine(*map(note_text, found.notes))
        return
    within = any(row.ratio for row in found.rows)  # else only sums are known, as a note says
    plain(
        f"{found.practices} practices. Ratios are {'within practices and ' if within else ''}against {found.reference};"
        " who gets which treatment is not left to chance.",
        trend_sentence(found),
    )
    columns, rows = group_rows(found)
    alt = f"Share adverse by {title.lower()}, pooled"
    table([dict(zip(columns, row, strict=True)) for row in rows], alt=alt, columns=columns)
    cases = " with single cases" if within else ""
    adjusted = f"Adjusted for {', '.join(found.adjusted_for)}, in {found.adjusted_practices} practices{cases}."
    fine(adjusted.replace("_", " ") if found.adjusted_for else "", *map(note_text, found.notes))


page()
