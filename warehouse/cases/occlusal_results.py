"""What treatment did to the teeth: categories of improvement by the weighted PAR score, and mean reduction.

Source: Richmond et al. 1992, Eur J Orthod 14:180 (abstract): improved from a reduction of 30 %, greatly improved from
a change of 22 points; a high standard is a mean reduction above 70 % with few worse or no different. Which rule goes
first is stated in ``warehouse.measures.published_bands.par_improvement``.
"""

from dataclasses import dataclass

import polars as pl

from warehouse.analysis.change import mean_change
from warehouse.analysis.proportion import proportion
from warehouse.cases.case_results import case_results
from warehouse.marts.reader import Reader
from warehouse.measures.published_bands import GREATLY_IMPROVED, IMPROVED, NOT_IMPROVED
from warehouse.results import Estimate
from warehouse.selection import Selection

CATEGORIES = (GREATLY_IMPROVED, IMPROVED, NOT_IMPROVED)


@dataclass(frozen=True, slots=True, kw_only=True)
class OcclusalResults:
    """Results of the cases with a score at start and finish."""

    # Category -> share of cases with its interval, from greatly improved to worse or no different
    shares: dict[str, Estimate]
    counts: dict[str, int]  # Category -> number of cases
    reduction: Estimate  # Mean reduction of the score in percent of the start; cases with a start score of 0 have none
    points: Estimate  # Mean change of the score in points; a fall is an improvement
    n_finished: int  # Finished cases, with or without a score


def occlusal_results(reader: Reader, *, selection: Selection | None = None, level: float = 0.95) -> OcclusalResults:
    """Improvement of the finished cases selected (consecutive treated ones where None); ``level`` of the intervals."""
    condition, values = (selection or Selection()).where()
    finished = reader.connection.frame(
        f"select case_no from mart_cases where status = 'finished' and {condition}", values
    )
    frame = case_results(reader).join(finished, on="case_no", how="semi")
    scored = frame.drop_nulls("par_improvement")
    counts = {category: int((scored["par_improvement"] == category).sum()) for category in CATEGORIES}
    change = scored.select((pl.col("par_finish") - pl.col("par_start")).alias("change"))["change"]
    return OcclusalResults(
        shares={
            category: proportion(n, scored.height, level=level, estimand=f"share {category}")
            for category, n in counts.items()
        },
        counts=counts,
        reduction=mean_change(
            scored["par_percent_reduction"].drop_nulls().to_numpy(), unit="percent of the start", level=level
        ),
        points=mean_change(change.to_numpy(), unit="points", level=level),
        n_finished=finished.height,
    )
