"""Ordinary growth as the reference has it: the mean course of a measure by age, and by sex where it differs."""

import altair as alt
import polars as pl

from dashboard.charts.figure import finished
from dashboard.theme import LIGHT, Palette
from warehouse.upkeep.catalogue_report import InForce
from warehouse.words.numbers import signed


def growth_frame(found: InForce, measure: str) -> pl.DataFrame:
    """One row a sex and age, as change from the youngest age of the curve."""
    curve = found.curves.filter(pl.col("measure") == measure)
    return curve.with_columns(change=pl.col("mean") - pl.col("mean").first().over("sex")).select("sex", "age", "change")


def growth_chart(found: InForce, measure: str, palette: Palette = LIGHT) -> alt.LayerChart:
    """Lines told apart by dash as well as colour."""
    frame = growth_frame(found, measure)
    label, unit = _named(found, measure)
    sexes = frame["sex"].unique(maintain_order=True).to_list()
    legend = alt.Legend(title=None, orient="top") if len(sexes) > 1 else None
    base = alt.Chart(frame).encode(
        x=alt.X("age:Q", title=[label, "against age in years"], scale=alt.Scale(zero=False)),
        y=alt.Y("change:Q", title=f"change, {unit}"),
    )
    shades = alt.Scale(domain=sexes, range=[palette.main, palette.second, palette.quiet])
    dashes = alt.Scale(domain=sexes, range=[[1, 0], [6, 3], [2, 2]])
    lines = base.mark_line(strokeWidth=2.5).encode(
        color=alt.Color("sex:N", legend=legend, scale=shades),
        strokeDash=alt.StrokeDash("sex:N", legend=legend, scale=dashes),
    )
    return finished([lines], palette, height=240, said=growth_alt(found, measure))


def growth_alt(found: InForce, measure: str) -> str:
    """The curve in words: how much an untreated child changes over its ages."""
    label, unit = _named(found, measure)
    parts = []
    for (sex,), part in growth_frame(found, measure).group_by("sex", maintain_order=True):
        who, ages = "both sexes" if sex == "any" else sex, part["age"]
        parts.append(f"{who} {signed(part['change'][-1])} from {ages[0]:g} to {ages[-1]:g} years")
    return f"Ordinary change of {label}, {unit}: {'; '.join(parts)}."


def _named(found: InForce, measure: str) -> tuple[str, str]:
    """Name and unit of a measure."""
    row = found.curves.filter(pl.col("measure") == measure).row(0, named=True)
    return row["label"], row["unit"]
