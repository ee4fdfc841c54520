"""Ordinary growth as the reference has it: the mean course of a measure by age, and by sex where it differs."""

from __future__ import annotations

from typing import TYPE_CHECKING

import altair as alt
import polars as pl

from dashboard.theme import LIGHT, Palette, dressed
from warehouse.words.numbers import signed

if TYPE_CHECKING:
    from warehouse.upkeep.catalogue_report import InForce


def growth_frame(found: InForce, measure: str) -> pl.DataFrame:
    """One row a sex and age, as change from the youngest age of the curve."""
    curve = found.curves.filter(pl.col("measure") == measure)
    return curve.with_columns(change=pl.col("mean") - pl.col("mean").first().over("sex")).select("sex", "age", "change")


def growth_chart(
    found: InForce, measure: str, *, palette: Palette = LIGHT, large: bool = False, width: int = 460
) -> alt.LayerChart:
    """Lines told apart by dash as well as colour."""
    frame = growth_frame(found, measure)
    label, unit = found.curves.filter(pl.col("measure") == measure).row(0, named=True)["label"], _unit(found, measure)
    sexes = frame["sex"].unique(maintain_order=True).to_list()
    legend = alt.Legend(title=None, orient="top") if len(sexes) > 1 else None
    base = alt.Chart(frame).encode(
        x=alt.X("age:Q", title=[label, "against age in years"], scale=alt.Scale(zero=False)),
        y=alt.Y("change:Q", title=f"change, {unit}"),
    )
    lines = base.mark_line(strokeWidth=2.5).encode(
        color=alt.Color(
            "sex:N", legend=legend, scale=alt.Scale(domain=sexes, range=[palette.main, palette.second, palette.quiet])
        ),
        strokeDash=alt.StrokeDash(
            "sex:N", legend=legend, scale=alt.Scale(domain=sexes, range=[[1, 0], [6, 3], [2, 2]])
        ),
    )
    chart = alt.layer(lines, width=width, height=240, description=growth_alt(found, measure))
    return dressed(chart, palette, large=large)


def growth_alt(found: InForce, measure: str) -> str:
    """The curve in words: how much an untreated child changes over its ages."""
    frame = growth_frame(found, measure)
    parts = [
        _told(str(sex), part["change"].to_list(), part["age"].to_list())
        for (sex,), part in frame.group_by("sex", maintain_order=True)
    ]
    label = found.curves.filter(pl.col("measure") == measure).row(0, named=True)["label"]
    return f"Ordinary change of {label}, {_unit(found, measure)}: {'; '.join(parts)}."


def _told(sex: str, changes: list[float], ages: list[float]) -> str:
    who = "both sexes" if sex == "any" else sex
    return f"{who} {signed(changes[-1])} from {ages[0]:g} to {ages[-1]:g} years"


def _unit(found: InForce, measure: str) -> str:
    return str(found.curves.filter(pl.col("measure") == measure).row(0, named=True)["unit"])
