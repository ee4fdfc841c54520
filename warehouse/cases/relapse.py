"""Relapse: what became of the finish result by the follow-up records."""

from dataclasses import dataclass

import polars as pl

from warehouse.analysis.change import mean_change
from warehouse.marts.reader import Reader
from warehouse.measures.catalogue import CATALOGUE
from warehouse.results import Estimate
from warehouse.selection import Selection

SPAN = "finish_to_follow_up"


@dataclass(frozen=True, slots=True, kw_only=True)
class Relapse:
    """The change of one measure after the end of treatment."""

    measure: str  # Its code; `label`, `unit` and `up_means` describe it
    label: str
    unit: str
    up_means: str
    # Mean change from start to finish of the same cases, with its interval; what relapse is held against
    gained: Estimate
    change: Estimate  # Mean change from finish to follow-up, with its interval
    adjusted: Estimate  # The same less ordinary growth, of the cases the growth reference covers; no case, no value
    months: float | None  # Mean time from finish to follow-up; None where it is not known
    n_unlike: int  # Cases left out because the two records were marked or enlarged in unlike ways


def relapse(reader: Reader, *, selection: Selection | None = None, level: float = 0.95) -> tuple[Relapse, ...]:
    """Mean change from finish to follow-up of every measure that some case selected (or consecutive) has at both.

    Cases with follow-up records are rarely all cases: who comes back may differ from who does not.
    """
    condition, values = (selection or Selection()).where()
    later, earlier = (
        reader.connection.frame(
            "select mart_spans.* from mart_spans inner join mart_cases on mart_cases.case_no = mart_spans.case_no"
            f" where mart_spans.span = ? and {condition}",
            [span, *values],
        )
        for span in (SPAN, "start_to_finish")
    )
    described = reader.connection.rows("select measure, label, unit, up_means from mart_measures")
    present = [row for row in described if f"{row[0]}__after" in later.columns]
    return tuple(found for row in present if (found := _of_measure(later, earlier, row, level=level)).change.n)


def _of_measure(
    later: pl.DataFrame, earlier: pl.DataFrame, described: tuple[str, str, str, str], *, level: float
) -> Relapse:
    measure, label, unit, up_means = described
    known = later.drop_nulls([f"{measure}__before", f"{measure}__after"])
    alike = known.filter(~_unlike(measure))
    change = pl.col(f"{measure}__after") - pl.col(f"{measure}__before")
    changes = alike.select(change.alias("change"))["change"]
    expected = f"{measure}__expected"
    less_growth = (
        alike.select((change - pl.col(expected)).alias("change"))["change"].drop_nulls()
        if expected in alike.columns
        else pl.Series([], dtype=pl.Float64)
    )
    same = earlier.join(alike.select("case_no"), on="case_no", how="semi")
    gained = same.select(change.alias("change"))["change"].drop_nulls()
    months = alike["months"].mean()
    return Relapse(
        measure=measure,
        label=label,
        unit=unit,
        up_means=up_means,
        gained=mean_change(gained.to_numpy(), unit=unit, level=level),
        change=mean_change(changes.to_numpy(), unit=unit, level=level),
        adjusted=mean_change(less_growth.to_numpy(), unit=unit, level=level),
        months=float(months) if isinstance(months, int | float) else None,
        n_unlike=known.height - alike.height,
    )


def _unlike(measure: str) -> pl.Expr:
    """Whether the two records of a span were marked or enlarged in ways that this measure depends on."""
    entry = CATALOGUE.get(measure)
    flags = [pl.lit(value=False)]
    if entry is not None:
        flags += [
            pl.col(f"is_{point}_different")
            for point in ("gonion", "porion")
            if any(kind.startswith(point) for kind in entry.variants)
        ]
        flags += [pl.col("is_size_different")] if entry.on_film else []
    return pl.any_horizontal(flags)
