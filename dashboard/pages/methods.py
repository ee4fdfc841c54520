"""How it is counted: definitions, growth, measures, statistics with their sources, plans, proof, and cautions."""

from __future__ import annotations

import polars as pl
import streamlit as st

from dashboard.access.ask import Session, current_session
from dashboard.charts.growth import growth_chart
from dashboard.parts.address import pick
from dashboard.parts.methods_parts import planned, proved
from dashboard.parts.screen import behind, draw, fine, palette, plain, said, table
from dashboard.report.sections.methods import CHECK_REFERENCES, REFERENCES
from warehouse.export_safety import as_markdown
from warehouse.outcomes.definition import FAMILIES
from warehouse.outcomes.growth_reference import ADULTS
from warehouse.upkeep.catalogue_report import InForce, catalogue_report
from warehouse.words.shares import CAUTION

FIRST = "sn_gogn_deg"

STATISTICS = (
    ("Share adverse", "Adverse cases over cases counted, with Wilson's score interval (Wilson 1927; Newcombe 1998)."),
    (
        "Missing outcomes",
        "The share is also given as if none, and as if all, of the missing went adverse (Manski 2003).",
    ),
    (
        "Measuring error",
        "Dahlberg's error from records read twice; least real change MDC95; limits of Bland and Altman.",
    ),
    ("Growth", "The change expected of an untreated child of that sex between the two ages is taken off first."),
    ("Two groups", "Difference of shares with Newcombe's interval (Newcombe 1998, method 10)."),
    (
        "Two groups, adjusted",
        "Five ways side by side: as they came; in strata (Mantel-Haenszel 1959); risks standardised by a logistic model"
        " (Firth 1993 where the plain one has no answer); overlap weights (Li 2018); inverse probability weights.",
    ),
    ("Small groups", "Below 10 cases a figure carries a warning; read the interval, not the point."),
    (
        "Pooled shares",
        "A small group's share is adjusted for small numbers by a beta-binomial model, towards all groups; always shown"
        " beside the share as counted.",
    ),
    ("Hidden counts", "For those who see protected tables, 1 to 4 are hidden, with as many more as it takes."),
)
CAUTIONS = (
    "A case is adverse by a line drawn beforehand; another line gives another share. See how much under What happened.",
    "Groups were not made by chance. Whoever seemed likely to grow long may have been given another appliance.",
    "Only what was recorded can be adjusted for. Habits, airway and effort are hardly ever on record.",
    "Radiographs were taken for a reason; children with both sets of records are not all children.",
    "A growth reference describes other children, at another time and place.",
    "Looking at many definitions and groups finds differences by chance. Decide beforehand which one counts.",
)


def page(session: Session) -> None:
    """The page."""
    found = session.about_methods(catalogue_report)
    st.title("How it is counted")
    said(found.headline.sentence)
    fine(f"This is definition {found.headline.name}, the one on the headline. Source: {found.headline.source}.")
    definitions(found)
    growth(found)
    measures(found)
    statistics()
    planned(session)
    proved()
    st.header("What to keep in mind")
    plain(*CAUTIONS)
    published = found.published_at.replace("T", " ").rstrip("Z")
    behind(
        ("Build", f"{found.build}, published {published} UTC by menton {found.tool_version}"),
        ("Your view", session.viewer.words),
        ("Caution", CAUTION),
    )


def definitions(found: InForce) -> None:
    """Every definition, by what it is about."""
    st.header("Definitions in force")
    for family, name in FAMILIES.items():
        listed = [one for one in found.definitions if one.family == family]
        if not listed:
            continue
        rows = [
            {"definition": f"{one.name} {one.label}", "a case is adverse when": one.sentence, "source": one.source}
            for one in listed
        ]
        with st.expander(as_markdown(f"{name[:1].upper()}{name[1:]} ({len(listed)})")):
            table(rows, alt=f"Definitions: {name}")
    fine(
        "A definition never changes within its version. Add one of your own with `menton definitions --add FILE.toml`."
    )


def growth(found: InForce) -> None:
    """The growth reference and its curves."""
    st.header("Ordinary growth")
    plain(found.growth_reference)
    names: dict[str, str] = dict(found.curves.select("measure", "label").unique(maintain_order=True).iter_rows())
    if not names:
        plain("The reference holds no curve, so no change is adjusted for growth.")
        return
    measure = pick("Measure", names, key="measure", first=FIRST)
    draw(growth_chart(found, measure, palette()), key="growth")
    sources = found.curves.filter(pl.col("measure") == measure)["source"].unique(maintain_order=True).to_list()
    fine(f"Source of this curve: {'; '.join(sources)}.", f"Adults: {ADULTS}.")


def measures(found: InForce) -> None:
    """What each measure is."""
    with st.expander(f"Measures ({found.measures.height})"):
        shown = found.measures.select(
            pl.format("{} ({})", "label", "unit").alias("measure"),
            pl.col("definition").alias("what it is"),
            pl.col("up_means").alias("a rise means"),
        )
        table(shown.to_dicts(), alt="Measures in force", columns=shown.columns)


def statistics() -> None:
    """How figures are made, and who described it."""
    st.header("How figures are made")
    table([{"figure": figure, "how": how} for figure, how in STATISTICS], alt="Statistical methods")
    with st.expander("References"):
        plain(*REFERENCES)
        fine(CHECK_REFERENCES)


page(current_session())
