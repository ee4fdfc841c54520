"""How it is counted: definitions, growth, measures, statistics with their sources, plans, proof, and cautions."""

import polars as pl
import streamlit as st

from dashboard.access.ask import Session, current_session
from dashboard.charts.growth import growth_chart
from dashboard.parts.address import pick
from dashboard.parts.methods_parts import TEXTS, planned, proved
from dashboard.parts.screen import behind, draw, fine, palette, plain, said, table
from dashboard.report.sections.methods import CHECK_REFERENCES, REFERENCES
from warehouse.export_safety import as_markdown
from warehouse.outcomes.definition import FAMILIES
from warehouse.outcomes.growth_reference import ADULTS
from warehouse.upkeep.catalogue_report import InForce, catalogue_report
from warehouse.words.shares import CAUTION

FIRST = "sn_gogn_deg"


def page(session: Session) -> None:
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
    plain(*TEXTS["cautions"])
    published = found.published_at.replace("T", " ").rstrip("Z")
    behind(
        ("Build", f"{found.build}, published {published} UTC by menton {found.tool_version}"),
        ("Your view", session.viewer.words),
        ("Caution", CAUTION),
    )


def definitions(found: InForce) -> None:
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
    table(TEXTS["statistics"], alt="Statistical methods")
    with st.expander("References"):
        plain(*REFERENCES)
        fine(CHECK_REFERENCES)


page(current_session())
